"""From the pattern across signs and across laps to ranked causes, 'unknown' among them, the cheapest check first."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from spc.board.cause_table import CAUSES, GROUPS, SCOPES, SIGNS, UNKNOWN, CauseEntry
from spc.board.cause_words import NOT_A_READING, NOT_FOUND
from spc.board.charge import Charge
from spc.board.results import Cause
from spc.board.safety import cautions_for
from spc.wear.sign_moves import SignMove

__all__ = ["CAUSES_SHOWN", "Diagnosis", "Pattern", "count_reactions", "diagnose", "read_pattern"]

# A prior worth this many logged reactions; our own rule.
_PRIOR_REACTIONS = 10.0
# Signs that partly say the same thing count half each when both are there: minutes is stock over rate by construction.
_TWINS = (("minutes", "removal rate"), ("flatness", "re-lap share"))
_SHOWN = 0.05  # share of the odds from which the check of a cause is named; our own rule
CAUSES_SHOWN = 4  # likeliest first
_QUIET = ("steady", "no", "usual")
_USED_UP = "charge used up"
_OR = " or "
# Answers in the operator's words that mean a cause of the table.
_MEANT = dict.fromkeys(NOT_A_READING, "read warm, in poor light or by another eye")


@dataclass(frozen=True, slots=True)
class Pattern:
    """What the signs of one lap show together."""

    states: Mapping[str, str]  # sign -> state, only signs with enough readings
    scope: str  # of `spc.board.cause_table.SCOPES`, joined by ' or ' where not told apart; '' when nothing can be said
    sentence: str
    charge: Charge | None = None  # what the log knows of the charge; None = nothing

    @property
    def moved(self) -> tuple[str, ...]:
        """Signs that show anything out of the usual; the age of the charge by itself is none."""
        return tuple(sign for sign, state in self.states.items() if state not in _QUIET and sign != "charge")


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Ranked causes of one pattern."""

    causes: tuple[Cause, ...]  # most likely first, all of them, likelihoods add to 1
    checks: tuple[str, ...]  # checks in the order that finds the cause soonest for the least work
    groups: Mapping[str, float]  # 'the lap', 'the grit', 'the hand', 'the reading', 'the part', 'the room', 'unknown'
    safety: tuple[str, ...]  # cautions that go with the likely actions
    sentence: str


def read_pattern(
    moves: Sequence[SignMove],
    *,
    scratch: bool,
    coarser_grit: bool = False,
    bow_turned: bool | None = None,
    identical: bool = False,
    scope: str = "",
    also: Mapping[str, str] | None = None,
    charge: Charge | None = None,
) -> Pattern:
    """Put the signs of one lap side by side.

    Parameters
    ----------
    moves : sequence of SignMove
        From `spc.wear.sign_moves.sign_moves`.
    scratch : bool
        A guard named a scratch lately.
    coarser_grit : bool, default False
        A guard named a coarser grit on the lap; then it stands in the odds for the scratch that is not there.
    bow_turned : bool or None, default None
        The signed bow has turned or drifts; None when shape is not logged.
    identical : bool, default False
        The last readings are all the same.
    scope : str, default ''
        Whether it follows one lap, one operator, one part number or many laps, joined by ' or ' where the readings do
        not tell these apart; '' = nothing can be said.
    also : mapping of str to str, optional
        States from charts (sign -> 'up', 'down'), which overrule the moves.
    charge : Charge, optional
        From `spc.board.charge.charge_of_lap`.

    Returns
    -------
    Pattern

    Raises
    ------
    ValueError
        If `scope` or a state in `also` is unknown.
    """
    if scope and not set(scope.split(_OR)) <= set(SCOPES):
        raise ValueError(f"`scope` must be '' or one of {', '.join(SCOPES)}; got {scope!r}")
    states = {m.sign: m.direction for m in moves if m.sign in SIGNS and m.direction != "too few"}
    if coarser_grit:
        states["grit"] = "coarser"
    if scratch or not coarser_grit:
        states["scratch"] = "yes" if scratch else "no"
    states["identical"] = "yes" if identical else "no"
    if bow_turned is not None:
        states["bow"] = "turned" if bow_turned else "steady"
    for sign, state in (also or {}).items():
        if state not in SIGNS.get(sign, ()):
            raise ValueError(f"`also` must map a sign to one of its states, got {sign!r}: {state!r}")
        states[sign] = state
    if charge is not None:
        states["charge"] = charge.state
    shown = ", ".join(_state_words(sign, state) for sign, state in states.items() if state not in _QUIET)
    where = f"; it follows {scope}" if scope else ""
    return Pattern(states, scope, f"{shown or 'no sign has moved'}{where}", charge)


def count_reactions(reactions: pd.DataFrame, signs: Sequence[str]) -> dict[str, int]:
    """Count what past reactions to the same signs found.

    Parameters
    ----------
    reactions : DataFrame, shape (n_reactions, ...)
        Columns sign and cause; a cause 'not found' counts as unknown, a bad wipe or a bad reading as what the table
        says of reading, a cause in other words is counted under them.
    signs : sequence of str
        Signs that moved now; none counts every reaction.

    Returns
    -------
    dict of str to int
    """
    if len(reactions) == 0:
        return {}
    same = reactions[reactions["sign"].isin(list(signs))] if signs else reactions
    causes = same["cause"].astype(str).str.strip().str.lower()
    causes = causes.where(~causes.isin([NOT_FOUND, ""]), UNKNOWN).replace(_MEANT)
    return {str(cause): int(n) for cause, n in causes.value_counts().items()}


def diagnose(pattern: Pattern, *, counts: Mapping[str, int] | None = None) -> Diagnosis:
    """Rank the causes of a pattern.

    Parameters
    ----------
    pattern : Pattern
    counts : mapping of str to int, optional
        What past reactions found, from `count_reactions`; a cause found before gains weight, others lose it.

    Returns
    -------
    Diagnosis
        Causes of the table, 'unknown' among them.

    Notes
    -----
    Odds multiply over signs as if these were independent given the cause, twins counted half. Priors are Dirichlet
    with `_PRIOR_REACTIONS` in all, so that the table rules at first and the cell's own reactions later. Causes found
    in words that are not in the table raise 'unknown': the table does not know them.
    """
    found = dict(counts or {})
    strange = sum(n for name, n in found.items() if name not in {c.name for c in CAUSES})
    total_prior = sum(c.prior for c in CAUSES)
    answered = sum(found.values())
    log_odds = []
    for cause in CAUSES:
        own = found.get(cause.name, 0) + (strange if cause.name == UNKNOWN else 0)
        prior = (_PRIOR_REACTIONS * cause.prior / total_prior + own) / (_PRIOR_REACTIONS + answered)
        log_odds.append(math.log(prior) + _log_likelihood(cause, pattern))
    top = max(log_odds)
    weights = [math.exp(v - top) for v in log_odds]
    likelihood = [w / sum(weights) for w in weights]
    ranked = sorted(zip(CAUSES, likelihood, strict=True), key=lambda pair: -pair[1])
    causes = tuple(
        Cause(
            c.name,
            share,
            _check(c, pattern),
            c.action,
            _why(c, pattern),
            _counted(found.get(c.name, 0), answered, c.name),
        )
        for c, share in ranked
    )  # fmt: skip
    worth = sorted(ranked, key=lambda pair: -pair[1] / pair[0].check_minutes)
    leads = ranked[0][0].name  # what is to be written down finds no other cause: no check of theirs is put behind it
    checks = tuple(
        _check(c, pattern) for c, share in worth if share >= _SHOWN and (c.name != UNKNOWN or leads == UNKNOWN)
    )
    groups = {g: sum(share for c, share in ranked if c.group == g) for g in GROUPS}
    actions = [a for c, share in ranked if share >= 2 * _SHOWN for a in c.cautions]
    return Diagnosis(causes, checks, groups, cautions_for(actions), _sentence(ranked, pattern))


def _check(cause: CauseEntry, pattern: Pattern) -> str:
    """Check of a cause, with what the log already knows."""
    if cause.name != _USED_UP or pattern.charge is None:
        return cause.check
    return f"Look at the load and the swarf in the slurry; {pattern.charge.words}."


def _log_likelihood(cause: CauseEntry, pattern: Pattern) -> float:
    total = 0.0
    for sign, state in pattern.states.items():
        halved = any(sign in twins and all(t in pattern.states for t in twins) for twins in _TWINS)
        total += (0.5 if halved else 1.0) * math.log(_state_probability(cause, sign, state))
    if pattern.scope:
        among = pattern.scope.split(_OR)
        total += math.log(math.fsum(_shared_out(cause.scopes, one, SCOPES) for one in among) / len(among))
    return total


def _state_probability(cause: CauseEntry, sign: str, state: str) -> float:
    """Chance of a state under a cause; a sign the cause says nothing about stays steady nine times in ten."""
    named = cause.signs.get(sign, {})
    quiet = SIGNS[sign][-1]
    if state in named:
        return named[state]
    rest = 1.0 - sum(named.values())
    others = [s for s in SIGNS[sign] if s not in named]
    if others == [quiet]:
        return rest
    moving = 0.1 * rest / (len(others) - 1)
    return 0.9 * rest if state == quiet else moving


def _shared_out(named: Mapping[str, float], key: str, keys: Sequence[str]) -> float:
    if key in named:
        return named[key]
    return (1.0 - sum(named.values())) / (len(keys) - len(named))


def _state_words(sign: str, state: str) -> str:
    words = {
        ("scratch", "yes"): "a scratch",
        ("grit", "coarser"): "a coarser grit on the lap",
        ("identical", "yes"): "readings all the same",
        ("bow", "turned"): "bow turned",
        ("charge", "old"): "an old charge",
        ("charge", "young"): "a young charge",
        ("other laps", "hit"): "other laps of the same wash or bench hit too",
    }
    return words.get((sign, state), f"{sign} {state}")


def _why(cause: CauseEntry, pattern: Pattern) -> str:
    """Name the signs and the scope that speak for a cause."""
    speaks = [
        _state_words(sign, state)
        for sign, state in pattern.states.items()
        if state not in _QUIET and cause.signs.get(sign, {}).get(state, 0) >= 0.3
    ]
    if any(cause.scopes.get(one, 0) >= 0.3 for one in pattern.scope.split(_OR)):
        speaks.append(f"it follows {pattern.scope}")
    if cause.name == UNKNOWN:
        return "what no entry of the table explains"
    return ", ".join(speaks) or "nothing speaks for it"


def _counted(found: int, answered: int, name: str) -> str:
    if answered == 0:
        return ""
    return f"{'nothing found' if name == UNKNOWN else 'found'} {found:,} of {answered:,} times"


def _sentence(ranked: Sequence[tuple[CauseEntry, float]], pattern: Pattern) -> str:
    if not pattern.moved:
        return "No sign has moved, so there is no cause to look for."
    best, share = ranked[0]
    if best.name == UNKNOWN or share < 0.35:
        names = " or ".join(c.name for c, _ in [r for r in ranked if r[0].name != UNKNOWN][:2])
        return (
            f"The signs ({pattern.sentence}) do not single out one cause; {names} come first. {_check(best, pattern)}"
        )
    return f"The signs ({pattern.sentence}) speak for: {best.name} ({share:.0%}). First: {_check(best, pattern)}"
