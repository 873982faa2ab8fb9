"""What people have said about signals: which are answered, and which were only handed to the lead and stay open."""

import pandas as pd

from spc.board.cell_view import CellView
from spc.board.results import Signal

__all__ = ["HANDED", "answered_face", "findings", "handed_text"]

HANDED = "handed to lead"  # the action kept; it moves a signal to another person and settles nothing


def findings(reactions: pd.DataFrame) -> pd.DataFrame:
    """Reactions that say what was found; a signal that was only handed on is as open as before.

    Parameters
    ----------
    reactions : DataFrame, shape (n_reactions, ...)
        From `Store.reactions`.
    """
    return reactions[reactions["action"] != HANDED]


def answered_face(view: CellView, lap: str, sign: str) -> int:
    """Find the newest face at which a signal of this lap and sign was answered; -1 for none.

    Parameters
    ----------
    view : CellView
    lap, sign : str

    Returns
    -------
    int
        Face id.
    """
    return _newest_face(view, findings(view.reactions), lap, sign)


def handed_text(view: CellView, signal: Signal) -> str:
    """Say who handed an open signal to the lead; '' if nobody did.

    Parameters
    ----------
    view : CellView
    signal : Signal

    Returns
    -------
    str
        'handed to lead by Iversen'.
    """
    handed = view.reactions[view.reactions["action"] == HANDED]
    if _newest_face(view, handed, signal.lap, signal.sign) < signal.since_face_id:
        return ""
    own = handed[(handed["lap"] == signal.lap) & (handed["sign"] == signal.sign)]
    return f"{HANDED} by {own['who'].iloc[-1]}"


def _newest_face(view: CellView, reactions: pd.DataFrame, lap: str, sign: str) -> int:
    own = reactions[(reactions["lap"] == lap) & (reactions["sign"] == sign)]
    stored = view.stored_signals[view.stored_signals["signal_id"].isin(own["signal_id"])]
    return int(stored["face_id"].max()) if len(stored) else -1
