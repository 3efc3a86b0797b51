#!/usr/bin/env python3
"""Run the scenarios: every function test_… of tests/scenario/test_*.py, each
in a process of its own, six at a time. Arguments pick those whose name holds
one of the words. The last line counts.

A scenario whose bound ran out (InVain) is tried once more, alone, when the
others are done: six at a time on a busy machine can be too slow for a bound.
What was seen to be wrong is never tried again, nor are more than three: that
is no busy machine. The end of the output repeats everything that failed."""
import importlib
import os
import subprocess
import sys
import time
import traceback
from concurrent.futures import ThreadPoolExecutor

HERE = os.path.dirname(os.path.abspath(__file__))
FOLDERS = [HERE, os.path.join(os.path.dirname(HERE), "fault")]
OUTSIDE = os.path.join(os.path.dirname(HERE), "outside")
PAGE = os.path.join(os.path.dirname(HERE), "page")
sys.path[:0] = FOLDERS + [OUTSIDE, PAGE]
from harness import InVain  # noqa: E402
JOBS = int(os.environ.get("HG_JOBS", "6"))  # they wait more than they work
LATE = 3        # how a scenario exits whose bound ran out
MOST_AGAIN = 3
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
    """How one scenario ended: ok, late or wrong, and what it said."""
    module, name = item
    start = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, os.path.abspath(__file__), "--one", module, name],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            timeout=LIMIT_S)
        end = {0: "ok", LATE: "late"}.get(done.returncode, "wrong")
        text = done.stdout
    except subprocess.TimeoutExpired as late:
        end, text = "late", (late.stdout or b"").decode(errors="replace") + \
            f"\nnot done after {LIMIT_S:.0f} s"
    print(f"{end:5}{time.monotonic() - start:6.1f} s  {name}", flush=True)
    return end, text


def tell(item, text):
    print(f"---- {item[1]}")
    print("\n".join("    " + line for line in text.split("\n")), flush=True)


def again(items, results):
    """Late ones once more, each alone."""
    late = [i for i, (end, _) in enumerate(results) if end == "late"]
    if len(late) > MOST_AGAIN:
        return
    for i in late:
        tell(items[i], results[i][1])
        print("its bound ran out; once more, alone:")
        results[i] = run(items[i])


def one(module, name):
    try:
        getattr(importlib.import_module(module), name)()
        code = 0
    except InVain:
        traceback.print_exc()
        code = LATE
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def main():
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], sys.argv[3])
    folders = FOLDERS
    words = []
    for word in sys.argv[1:]:
        if word == "--faults":
            folders = FOLDERS[1:]
        elif word == "--scenarios":
            folders = FOLDERS[:1]
        elif word == "--outside":
            folders = [OUTSIDE]
        elif word == "--page":
            folders = [PAGE]
        else:
            words.append(word)
    items = [i for i in names(folders)
             if not words or any(w in i[1] for w in words)]
    if not items:
        print("no scenario has such a name", file=sys.stderr)
        return 2
    with ThreadPoolExecutor(JOBS) as pool:
        results = list(pool.map(run, items))
    again(items, results)
    failed = 0
    for item, (end, text) in zip(items, results):
        if end != "ok":
            failed += 1
            tell(item, text)
    print(f"{len(results) - failed} passed, {failed} failed")
    return 1 if failed else 0


sys.exit(main())
