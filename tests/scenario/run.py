#!/usr/bin/env python3
"""Run the scenarios: every function test_… of tests/scenario/test_*.py, each
in a process of its own, four at a time. Arguments pick those whose name holds
one of the words. The last line counts."""
import importlib
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

HERE = os.path.dirname(os.path.abspath(__file__))
FOLDERS = [HERE, os.path.join(os.path.dirname(HERE), "fault")]
OUTSIDE = os.path.join(os.path.dirname(HERE), "outside")
sys.path[:0] = FOLDERS + [OUTSIDE]
JOBS = int(os.environ.get("HG_JOBS", "4"))  # they wait more than they work
LIMIT_S = 150 * float(os.environ.get("HG_SLOW", "1"))


def names(folders):
    for folder in folders:
        if not os.path.isdir(folder):
            continue
        for file in sorted(os.listdir(folder)):
            if file.startswith("test_") and file.endswith(".py"):
                module = importlib.import_module(file[:-3])
                for name in vars(module):
                    if name.startswith("test_"):
                        yield file[:-3], name


def run(item):
    module, name = item
    start = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, os.path.abspath(__file__), "--one", module, name],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            timeout=LIMIT_S)
        code, text = done.returncode, done.stdout
    except subprocess.TimeoutExpired as late:
        code, text = 1, (late.stdout or b"").decode(errors="replace") + \
            f"\nnot done after {LIMIT_S:.0f} s"
    print(f"{'ok  ' if code == 0 else 'FAIL'} {time.monotonic() - start:6.1f}"
          f" s  {name}", flush=True)
    if code != 0:
        print("\n".join("    " + line for line in text.split("\n")),
              flush=True)
    return code == 0


def main():
    if sys.argv[1:2] == ["--one"]:
        module = importlib.import_module(sys.argv[2])
        getattr(module, sys.argv[3])()
        sys.stdout.flush()
        os._exit(0)
    folders = FOLDERS
    words = []
    for word in sys.argv[1:]:
        if word == "--faults":
            folders = FOLDERS[1:]
        elif word == "--scenarios":
            folders = FOLDERS[:1]
        elif word == "--outside":
            folders = [OUTSIDE]
        else:
            words.append(word)
    items = [i for i in names(folders)
             if not words or any(w in i[1] for w in words)]
    if not items:
        print("no scenario has such a name", file=sys.stderr)
        return 2
    with ThreadPoolExecutor(JOBS) as pool:
        results = list(pool.map(run, items))
    failed = results.count(False)
    print(f"{len(results) - failed} passed, {failed} failed")
    return 1 if failed else 0


sys.exit(main())
