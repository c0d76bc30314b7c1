"""Looks at what the demo left, without bayline: is the database sound, and does the CSV say the same?"""

import csv
import datetime
import pathlib
import sqlite3
import sys


def samples(database):
    """The rows of the database as the CSV should have them."""
    began = database.execute("SELECT began_utc_us FROM session").fetchone()[0]
    query = """
        SELECT time_us, coalesce(step_name, ''), reading.channel, reading.value, state, unit, quantity,
            coalesce(reading.verdict, '')
        FROM reading JOIN sample ON sample.rowid = row ORDER BY row"""
    epoch = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)
    for time_us, step, channel, value, state, unit, quantity, verdict in database.execute(query):
        beyond = "over" if (state or 0) & 65536 else "under"
        time = epoch + datetime.timedelta(microseconds=began + time_us)
        yield (time_us, time, step, channel, beyond if value is None else value, unit, quantity, verdict)


def written(row):
    """A row of the CSV in the same terms."""
    value = row["value"] if row["value"] in ("over", "under") else float(row["value"])
    seconds, _, fraction = row["elapsed_s"].partition(".")
    micros = abs(int(seconds)) * 1_000_000 + int(fraction.ljust(6, "0"))
    time = datetime.datetime.fromisoformat(row["time"].replace("Z", "+00:00"))
    rest = (row["step"], row["channel"], value, row["unit"], row["quantity"], row["verdict"])
    return (-micros if seconds.startswith("-") else micros, time, *rest)


def main(folder):
    database = sqlite3.connect(f"{(folder / 'bayline.db').resolve().as_uri()}?mode=ro", uri=True)
    for check in ("integrity_check", "foreign_key_check"):
        found = database.execute(f"PRAGMA {check}").fetchall()
        assert found in ([], [("ok",)]), f"{check}: {found}"
    assert database.execute("SELECT count(*) FROM session WHERE ended_how = 'ended'").fetchone() == (1,)

    kept = list(samples(database))
    with open(folder / "export" / "samples.csv", newline="", encoding="utf-8") as file:
        rows = [written(row) for row in csv.DictReader(file)]
    assert len(kept) == len(rows), f"{len(kept)} samples in the database, {len(rows)} in the CSV"
    for number, (sample, row) in enumerate(zip(kept, rows), 1):
        assert sample == row, f"row {number}: {sample} in the database, {row} in the CSV"
    assert len(rows) > 100, f"only {len(rows)} samples"

    steps = database.execute("SELECT number, name, coalesce(verdict, '') FROM step ORDER BY number").fetchall()
    with open(folder / "export" / "steps.csv", newline="", encoding="utf-8") as file:
        ledger = [(int(row["number"]), row["step"], row["verdict"]) for row in csv.DictReader(file)]
    assert steps == ledger, f"{steps} in the database, {ledger} in the CSV"
    outside = [name for _, name, verdict in steps if verdict == "out of limit"]
    assert outside, "no planted fault was found"
    print(f"sound; {len(rows)} samples and {len(steps)} steps agree; outside: {', '.join(outside)}")


main(pathlib.Path(sys.argv[1]))
