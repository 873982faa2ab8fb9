"""A log dropped into the watched folder, seen on the board of a browser that was open before."""

import subprocess
import time

import pytest

from spc.store.store import Store
from tests.browser.conftest import screens, settled

pytestmark = pytest.mark.browser

HEAD = "time,operator,lap,grit um,minutes,flatness um,part number,serial\n"
WITHIN_S = 5.0


def rows(lap):
    return "".join(f"2026-06-26 19:{m:02d},Iversen,{lap},15,7,0.31,SP-20,{lap}-{m}\n" for m in range(9))


def write_in_pieces(path, text, *, pieces=6):
    """Write a file slowly, lines cut in two; gives the moment at which it is whole."""
    step = len(text) // pieces + 1
    with path.open("w", encoding="utf-8") as file:
        for start in range(0, len(text), step):
            time.sleep(0.3)
            file.write(text[start : start + step])
            file.flush()
    return time.monotonic()


def test_a_dropped_log_is_on_the_board_within_five_seconds_of_being_whole(at, tmp_path):
    folder, store = tmp_path / "dropped", tmp_path / "lapcell.db"
    folder.mkdir()
    with screens(store, "--watch", str(folder)) as url:
        page = at(url)
        page.get_by_text(f"Logs dropped into {folder} are taken in", exact=False).wait_for()
        took_s = []
        for number in range(6):  # a busy machine may delay any one, so it has more than one try
            whole = write_in_pieces(folder / f"week {number}.csv", HEAD + rows(f"CI-{number}"))
            page.locator("article.lc-lap", has_text=f"CI-{number}").wait_for()
            took_s.append(time.monotonic() - whole)
            if took_s[-1] <= WITHIN_S:
                break
        settled(page)
        assert min(took_s) <= WITHIN_S, took_s
        (folder / "holiday list.csv").write_text("who,from\nAnn,July\n")
        page.get_by_text("1 dropped file cannot be read. The log view says why.").wait_for()
        page = at(f"{url}/log")
        taken = page.get_by_role("radio", name="Taken in").or_(page.get_by_role("button", name="Taken in"))
        taken.first.click()
        page.get_by_text("holiday list.csv: ", exact=False).first.wait_for()
        (folder / "holiday list.csv").unlink()
        page.get_by_text("holiday list.csv: ", exact=False).first.wait_for(state="detached")
    n_logs = len(took_s)
    assert sorted(path.name for path in folder.iterdir()) == [f"week {number}.csv" for number in range(n_logs)]
    with Store.open(store) as opened:
        assert len(opened.faces()) == 9 * n_logs and opened.faces()["version"].max() == 1
        assert len(opened.intakes()) == n_logs and opened.watch_problems().empty
    assert not _watches(folder)


def _watches(folder):
    """Watches of a folder that still run, where the system can say so."""
    try:
        shown = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        return []
    return [line for line in shown.splitlines() if "spc.cli watch" in line and str(folder) in line]
