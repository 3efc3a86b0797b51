#!/usr/bin/env python3
"""Fails unless every branch and line of src/gate was taken, both ways.

coverage.py FILE: FILE is what `llvm-cov export` (JSON) wrote. Several test
programs hold the same sources; a branch counts when any of them takes it.
"""
import json
import sys

FEWEST = 300  # branches of the gate: fewer would mean that nothing was read


def main(path):
    with open(path, encoding="utf-8") as file:
        files = json.load(file)["data"][0]["files"]
    taken = {}
    for entry in files:
        name = entry["filename"]
        if "/src/gate/" not in name:
            continue
        for line, column, _, _, true, false, *_ in entry["branches"]:
            place = (name, line, column)
            before = taken.get(place, (0, 0))
            taken[place] = (before[0] + true, before[1] + false)
    missed = [(place, way) for place, counts in sorted(taken.items())
              for way, count in zip(("true", "false"), counts) if count == 0]
    for (name, line, column), way in missed:
        print(f"{name}:{line}:{column}: never {way}")
    total = 2 * len(taken)
    print(f"{total - len(missed)} of {total} branches of src/gate taken")
    return 1 if missed or total < FEWEST else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
