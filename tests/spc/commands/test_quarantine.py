"""A discarded row that is to wait again, from the outside."""

from tests.spc.commands.test_commands import HEAD, ROWS, Shop

WHY = ("--who", "Eve", "--why", "it was a face")


def test_a_row_discarded_by_mistake_waits_again_and_can_be_settled_again(tmp_path):
    shop = Shop(tmp_path)
    rows = [*ROWS, ROWS[2].replace("10:20", "10:30")]
    shop.run("ingest", shop.file("log.csv", HEAD + "".join(rows)), code=1)
    right = ROWS[2].replace("?", "0.4").strip()
    shop.run("quarantine", "fix", "1", right, *WHY)
    shop.run("quarantine", "discard", "2", "--who", "QE", "--why", "typed twice")
    assert "Row 4 of log.csv waits again" in shop.run("quarantine", "take-back", "2", *WHY, code=1).stdout
    assert [row["row_number"] for row in shop.json("quarantine", code=1)["rows"]] == [4]
    shop.run("ingest", str(tmp_path / "log.csv"))  # held already: it does not wait twice
    assert len(shop.json("quarantine", code=1)["rows"]) == 1
    refused = {"1": "row 3 of log.csv was taken in", "2": "row 4 of log.csv waits already", "9": "got 9"}
    for number, why in refused.items():
        assert why in shop.run("quarantine", "take-back", number, *WHY, code=3).stderr
    shop.run("quarantine", "fix", "2", right.replace("10:20", "10:30"), *WHY)
    assert [row["how"] for row in shop.json("quarantine", "list", "--all")["rows"]] == ["fixed", "fixed"]
