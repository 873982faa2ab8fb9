"""A folder, a store, a watch over it and a clock of the test's own."""

from spc.log.intake import ingest
from spc.log.watch import FolderWatch, NotNowError
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,minutes,flatness (um),finish (um)\n"
ROWS = [f"2026-03-04 10:{m:02d},Ann,CI-1,15 um,SP-1,{m},5,0.3,0.08\n" for m in range(8)]
NO_LOG = "colour,taste\nred,sweet\n"


class Bench:
    """A folder, a store, a watch and a clock; every look is a second after the one before."""

    def __init__(self, root):
        self.folder = root / "dropped"
        self.folder.mkdir()
        self.store = root / "lapcell.db"
        self.now = 100.0
        self.hindrance = ""
        self.start()

    def start(self):
        with Store.open(self.store) as store:
            failed = store.watch_problems()["name"].tolist()
        self.watch = FolderWatch(self.folder, take=self.take, failed=failed)

    def take(self, data, name, column_map):
        if self.hindrance:
            raise NotNowError(self.hindrance)
        with Store.open(self.store) as store:
            return ingest(store, data, name=name, settings=Settings(), column_map=column_map)

    def drop(self, name, text):
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    def look(self, times=1):
        """(name, what) of everything that came of some looks."""
        return [(one.name, one.what) for one in self.say(times)]

    def say(self, times=1):
        outcomes = []
        for _ in range(times):
            self.now += 1.0
            outcomes += self.watch.look(self.now)
        return outcomes

    def faces(self):
        with Store.open(self.store) as store:
            return store.faces()

    def intakes(self):
        with Store.open(self.store) as store:
            return store.intakes()


def log(*rows):
    return HEAD + "".join(rows)
