#!/usr/bin/env python3
"""Prints the SHA-256 of the samples in a folder of `bayline export --folder`, as the sheet has it. Needs nothing of bayline.

    python3 prove-samples.py FOLDER

A sample is its time in microseconds, the place of its channel in session.json, its value and the number of its verdict; each 65,536 of
them are a block, and the hash is that of the hashes of the blocks. The export must have a decimal point.
"""

import csv
import hashlib
import json
import struct
import sys
from pathlib import Path

VERDICTS = ["in limit", "out of limit", "too close to call", "no load current", "not settled", "wrong function", "held display", "no reading", "no reference"]
BEYOND = {"over": float("inf"), "under": float("-inf"), "": float("nan")}
BLOCK = 65536


def samples(folder):
    session = json.loads((folder / "session.json").read_text(encoding="utf-8"))
    places = {(channel["name"], channel["quantity"]): place for place, channel in enumerate(session["channels"])}
    with open(folder / "samples.csv", encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            # A name that a spreadsheet would take for a formula has an apostrophe before it.
            own = (row["channel"], row["quantity"])
            place = places[own] if own in places else places[(own[0].removeprefix("'"), own[1])]
            value = BEYOND[row["value"]] if row["value"] in BEYOND else float(row["value"])
            verdict = VERDICTS.index(row["verdict"]) if row["verdict"] else 255
            yield struct.pack("<qIdB", int(row["elapsed_s"].replace(".", "")), place, value, verdict)


def main():
    blocks, block = hashlib.sha256(), bytearray()
    for sample in samples(Path(sys.argv[1])):
        block += sample
        if len(block) == BLOCK * len(sample):
            blocks.update(hashlib.sha256(block).digest())
            block.clear()
    if block:
        blocks.update(hashlib.sha256(block).digest())
    print(blocks.hexdigest())


main()
