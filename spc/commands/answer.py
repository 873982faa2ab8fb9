"""`lapcell answer`: what a person found about an open signal, kept and counted, or taken back."""

from dataclasses import asdict

import click

from spc.board.results import RECONDITIONING, Signal
from spc.cli import DONE, Session, common_options
from spc.commands.output import one_line, print_json

__all__ = ["command"]


@click.command("answer")
@click.argument("lap", default="")
@click.option("--room", is_flag=True, help="Answer the room alarm of this shift, in place of a signal of LAP.")
@click.option("--sign", default="", help="Sign of the signal, such as flatness; needed where several are open.")
@click.option("--cause", default="", help="What it was: a cause of the table, 'bad wipe', 'not found'.")
@click.option("--check", "check_done", default="looked at", show_default=True, help="What was looked at.")
@click.option("--action", default="none", show_default=True, help="What was done; 'handed to lead' leaves it open.")
@click.option("--result", default="", help="What came of it; left out, it is not said.")
@click.option(
    "--reconditioned", type=click.Choice(["yes", "no"]), help="Answers the question whether LAP was reconditioned."
)
@click.option("--face", "faces", type=int, multiple=True, help="Of several such questions the one about this face.")
@click.option("--all", "every", is_flag=True, help="Answers all such questions about LAP at once.")
@click.option("--take-back", is_flag=True, help="Take back the newest answer on LAP, with the event that it logged.")
@click.option("--why", default="a mistaken answer", show_default=True, help="Why it is taken back.")
@click.option("--who", required=True, help="Who signs this.")
@common_options
def command(
    session: Session,
    *,
    lap: str,
    room: bool,
    sign: str,
    cause: str,
    check_done: str,
    action: str,
    result: str,
    reconditioned: str | None,
    faces: tuple[int, ...],
    every: bool,
    take_back: bool,
    why: str,
    who: str,
) -> int:
    """Keep what was found about an open signal of LAP, or with --room about the room alarm.

    The answer closes the signal, is counted, and moves the ranking of the likely causes of the same signs from then on;
    'not found' is an honest answer and counts as unknown. A bad wipe strikes the reading out. Words near to a cause of
    the table are taken for it; what none of them is goes by 'something else: ' and your own words. With --json one
    document: reaction (its number), lap ('the room' for the room alarm), sign, cause (as it is counted) and signal (as
    in `lapcell due`).

    With --reconditioned it answers instead whether LAP was reconditioned where its readings say so and the log does
    not: yes logs the reconditioning at that place, no is kept and the same question is not asked again. `lapcell due
    --lap LAP` lists the questions with their faces; --face may be given more than once, and --all answers them all.
    With --json: reaction, lap, sign, cause, signal; with --all or several faces: answers, a list of these.

    With --take-back the newest answer on LAP (of --sign, if given) is taken back instead: its signal is open again, it
    is counted no more, and it stays on record. With --json: reaction, lap, sign, cause and event (taken back with it).
    """
    from spc.board.cause_words import NOT_A_READING, cause_meant
    from spc.board.reactions import keep_answer
    from spc.board.room_answer import ROOM

    if bool(lap) == room:
        raise ValueError("`LAP` must name the lap that is answered for, or `--room` say that it is the room; give one")
    lap = ROOM if room else lap
    _refuse_idle(room=room, sign=sign, reconditioned=reconditioned, faces=faces, every=every, take_back=take_back)
    if take_back:
        return _take_back(session, lap, sign=sign, cause=cause, why=why, who=who)
    if reconditioned and cause:
        raise ValueError("`--reconditioned` says what it was and needs no `--cause`; give one of the two")
    if reconditioned:
        return _reconditioned(session, lap, reconditioned, faces=faces, every=every, who=who)
    if not cause:
        raise ValueError("`--cause` must say what it was, or `--take-back` that the newest answer is taken back")
    written, cause = cause, cause_meant(cause)
    signal = _room_signal(session) if room else _chosen(session.board().lap(lap).signals, lap, sign)
    if signal.sign == RECONDITIONING:
        raise ValueError(f"`--reconditioned` must say yes or no to it: {signal.sentence}")
    with session.store() as store:
        number = keep_answer(
            store, signal, check_done=check_done, cause=cause, action=action, result=result, who=who,
            one_reading=cause in NOT_A_READING,
        )  # fmt: skip
    if session.as_json:
        print_json({"reaction": number, "lap": lap, "sign": signal.sign, "cause": cause, "signal": asdict(signal)})
    else:
        meant = "" if written.strip().casefold() == cause.casefold() else f" (for {written.strip()!r})"
        what = lap if room else f"{lap}, {signal.sign}"
        click.echo(one_line(f"Kept for {what}: {cause}{meant}; {action}. Signed {who}."))
    return DONE


def _refuse_idle(
    *, room: bool, sign: str, reconditioned: str | None, faces: tuple[int, ...], every: bool, take_back: bool
) -> None:
    """Refuse what would do nothing beside what is asked."""
    if reconditioned and room:
        raise ValueError("`--reconditioned` is asked of a lap: name it in place of `--room`")
    if reconditioned and take_back:
        raise ValueError("`--take-back` and `--reconditioned` do not go together: give one of them")
    if reconditioned and sign:
        raise ValueError("`--sign` says which signal `--cause` answers: leave it out beside `--reconditioned`")
    for option in ("--face",) * bool(faces) + ("--all",) * every:
        if not reconditioned:
            raise ValueError(f"`{option}` says which question `--reconditioned` answers: give that too, yes or no")
    if faces and every:
        raise ValueError("`--all` answers every question about the lap and needs no `--face`; give one of the two")


def _reconditioned(session: Session, lap: str, said: str, *, faces: tuple[int, ...], every: bool, who: str) -> int:
    from spc.board.missing_answer import keep_all

    asked = session.board().lap(lap).asked
    found = [one for one in asked if not faces or one.face_id in faces]
    places = "; ".join(f"--face {one.face_id}: {one.sentence}" for one in asked)
    unknown = [face for face in dict.fromkeys(faces) if face not in {one.face_id for one in asked}]
    if unknown or not found:
        about = f" before face {unknown[0]}" if unknown else ""
        raise ValueError(f"no such question about {lap}{about} is open{f'; open: {places}' if asked else ''}")
    if len(found) > 1 and not faces and not every:
        raise ValueError(
            f"`--face` must say which question about {lap} is answered, or `--all` that they all are. Open: {places}"
        )
    with session.store() as store:
        numbers = keep_all(store, found, said=said == "yes", who=who)
        causes = store.reactions(lap=lap).set_index("reaction_id")["cause"]
    kept = [
        {"reaction": number, "lap": lap, "sign": one.sign, "cause": str(causes[number]), "signal": asdict(one)}
        for number, one in zip(numbers, reversed(found), strict=True)
    ]
    if session.as_json:
        print_json({"answers": kept} if every or len(faces) > 1 else kept[0])
        return DONE
    for one, answer in zip(reversed(found), kept, strict=True):
        also = f" {lap} is logged as reconditioned at {one.time_text}." if said == "yes" else ""
        click.echo(
            one_line(f"Kept for {lap}, {one.sign} before face {one.face_id}: {answer['cause']}.{also} Signed {who}.")
        )
    return DONE


def _take_back(session: Session, lap: str, *, sign: str, cause: str, why: str, who: str) -> int:
    from spc.board.reactions import take_back_answer
    from spc.board.room_answer import ROOM

    if cause:
        raise ValueError("`--take-back` takes back the newest answer and needs no `--cause`; give one of the two")
    with session.store() as store, store.writing(who=who, what=f"answer on {lap} taken back"):
        answers = store.reactions(lap=lap)
        answers = answers[answers["sign"] == sign] if sign else answers
        if answers.empty:
            raise ValueError(f"there is no answer on {lap}{f' in {sign}' if sign else ''} to take back")
        newest = answers.iloc[-1]
        event = take_back_answer(store, int(newest["reaction_id"]), who=who, reason=why)
    said = {"reaction": int(newest["reaction_id"]), "lap": lap, "sign": newest["sign"], "cause": newest["cause"]}
    if session.as_json:
        print_json(said | {"event": event})
    else:
        also = f" The event {event} is taken back with it." if event else ""
        about = lap if lap == ROOM else f"{lap}, {newest['sign']}"
        what = f"{about}: {newest['cause']}; {newest['action']}, signed {newest['who']}"
        told = f"Taken back on {what}. Its signal is open again where it still stands."
        click.echo(one_line(f"{told}{also} Signed {who}."))
    return DONE


def _room_signal(session: Session) -> Signal:
    from spc.board.room_answer import room_signal

    alarm = session.board().shift().room
    if alarm is None:
        raise ValueError("there is no room alarm in this shift: `lapcell due` says what is open")
    if alarm.answered:
        raise ValueError(f"the room alarm of this shift is answered: {alarm.answered} `--take-back` opens it again")
    return room_signal(alarm)


def _chosen(signals: tuple[Signal, ...], lap: str, sign: str) -> Signal:
    open_signs = ", ".join(dict.fromkeys(s.sign for s in signals)) or "none"
    found = [s for s in signals if sign in ("", s.sign)]
    if not found:
        raise ValueError(f"there is no open signal of {lap}{f' in {sign}' if sign else ''}; open: {open_signs}")
    if len({s.sign for s in found}) > 1:
        raise ValueError(f"`--sign` must say which signal of {lap} is answered; open: {open_signs}")
    return found[0]
