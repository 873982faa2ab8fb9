"""When to recondition: how long the cycles of this lap and its sisters last, and what each planned age costs."""

from functools import partial

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import cards, data
from dashboard.charts.life import cost_figure, cost_table, survival_figure
from dashboard.parts.number_field import number_field, unread
from dashboard.parts.page import Page
from dashboard.parts.pair import pair
from dashboard.parts.picture import show_picture
from dashboard.words import count
from spc.log.name_list import name_list
from spc.wear.clock_choice import age_clock, other_clock_words
from spc.wear.recondition_plan import ReconditionPlan

__all__ = ["age_section"]

_CLOCKS = {"faces": "faces lapped", "minutes": "minutes of lapping"}


def age_section(page: Page, lap: str) -> None:
    """Ask for the two costs, then show the sentence, the two curves and the lives behind them."""
    fault = page.site.costs_fault
    planned_now = page.site.planned_cost or (None if fault else 1.0)
    worn_now = page.site.unplanned_cost or (None if fault else 4.0)
    clocks = data.wear_clocks(page.now, lap)
    better = list(_CLOCKS).index(age_clock(clocks))
    with st.container(key="age-choice", horizontal=True):
        clock = st.selectbox(
            "Age counted in", list(_CLOCKS), better, format_func=_CLOCKS.__getitem__, key=f"age-clock {lap}", width=240
        )
        planned = number_field("Cost of a planned reconditioning", planned_now, above=True, most=1e9, width=300)
        worn = number_field("Cost of one found too late", worn_now, above=True, most=1e9, width=300)
    if fault and planned is None and worn is None:
        st.html(cards.notice(f"{fault}. Put it right there, or type both costs here.", kind="refused"))
    elif planned is None or worn is None or unread(planned) or unread(worn):
        st.html(cards.sentences([], empty="Both costs are needed to weigh them."))
        return
    elif worn <= planned:
        st.html(
            cards.notice(
                "One found too late must cost more than a planned one: it costs re-laps, scrap and lost time besides.",
                kind="refused",
            )
        )
        return
    found = data.lap_age(page.now, lap, str(clock), planned, worn)
    plan = found.plan
    st.html(cards.subject(plan.sentence, kicker=f"Cycles of {name_list(found.laps)}; costs in any unit of yours"))
    st.html(cards.sentences([*other_clock_words(clocks, str(clock)), *found.remarks, clocks.sentence]))
    if plan.curve.status == "counts only" and not plan.age.ages.size:
        return  # the sentence says why there is neither curve
    survival, cost = pair("age")
    with survival:
        _survival(plan, page, str(clock))
    with cost:
        _cost(plan, page)


def _survival(plan: ReconditionPlan, page: Page, clock: str) -> None:
    curve = plan.curve
    st.html(cards.section("How long cycles last"))
    if curve.status == "counts only":
        st.html(cards.sentences([f"No curve: {curve.reason}."]))
        return
    half = curve.median()
    worn = f"{count(curve.n, 'cycle')}, {curve.worn:,} of them seen to wear out"
    middle = f"; half are worn by {half:.0f} {clock}" if np.isfinite(half) else "; fewer than half have worn out yet"
    table = pd.DataFrame(
        {clock: curve.age, "still good, %": 100 * curve.survival, "from": 100 * curve.low, "to": 100 * curve.high}
    )
    show_picture(
        partial(survival_figure, curve, page.look, clock=clock),
        key="survival",
        height=380,
        title="This curve",
        sentence=f"{worn}{middle}. Method: {curve.method}.",
        table=table.round(1),
    )


def _cost(plan: ReconditionPlan, page: Page) -> None:
    age = plan.age
    st.html(cards.section("What each planned age costs"))
    if not age.ages.size:
        st.html(cards.sentences([age.sentence]))
        return
    show_picture(
        partial(cost_figure, age, page.look),
        key="cost",
        height=380,
        title="This curve",
        sentence=age.sentence,
        table=cost_table(age),
    )
