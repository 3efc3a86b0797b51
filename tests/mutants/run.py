#!/usr/bin/env python3
"""Mutants of the gate: small wrong changes that some test has to notice.

  tests/mutants/run.py [--sample N] [--seed S] [--file NAME] [--jobs N]
                       [--build DIR] [--list] [--write FILE] [--keys FILE]
                       [--model-only]

--keys runs the mutants named in a file (as --write leaves them) and no other.
--model-only leaves the unit tests out: how much does the explorer see alone?

Each mutant is src/gate with one token changed or one statement removed. It
is compiled, then run against the unit tests of the gate and the explorer of
tests/model until one of them fails. A mutant that survives must be in
survivors.txt with a reason. Exit 0: every survivor is known. 1: a new one,
or one that is listed there is killed now (full runs only). 2: usage.
"""
import argparse
import concurrent.futures
import os
import random
import re
import resource
import subprocess
import sys
import tempfile

TOP = os.path.dirname(os.path.dirname(os.path.dirname(
    os.path.abspath(__file__))))
GATE = os.path.join(TOP, "src", "gate")
KNOWN = os.path.join(TOP, "tests", "mutants", "survivors.txt")
FLAGS = ["-std=c11", "-D_GNU_SOURCE", "-I" + TOP + "/include",
         "-I" + TOP + "/src", "-I" + TOP + "/tests/unit",
         "-I" + TOP + "/tests/model", f'-DHG_SOURCE_DIR="{TOP}"', "-fPIC", "-w"]
TEST_S, SCOPE_S = 20, 30  # a mutant that hangs is killed, and counts as such
MEMORY = 2 << 30

SWAPS = {
    "==": ["!="], "!=": ["=="], "<": ["<="], "<=": ["<"], ">": [">="],
    ">=": [">"], "&&": ["||"], "||": ["&&"], "true": ["false"],
    "false": ["true"], "|=": ["="], "&=": ["="],
}
# families of constants; a member is swapped for the next one of its family
FAMILIES = [re.compile(p) for p in (
    r"HG_WHY_(?!BIT$|COUNT$)[A-Z_]+$", r"HG_RECORD_(?!COUNT$)[A-Z_]+$",
    r"HG_LEVEL_[A-Z]+$", r"HG_VERDICT_[A-Z_]+$", r"HG_DOOR_[A-Z]+$",
    r"HG_HEATER_[A-Z]+$", r"HG_CHECK_(?!S_)[A-Z]+$", r"HG_ROLE_[A-Z]+$",
    r"HG_PHASE_[A-Z]+$", r"HG_PENDING_[A-Z]+$", r"HG_VERDICT_[A-Z]+$",
    r"HG_EFFECT_[A-Z]+$")]
TOKEN = re.compile(
    r'/\*.*?\*/|"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])*\'|'
    r"[A-Za-z_]\w*|\d\w*|<<=|>>=|==|!=|<=|>=|&&|\|\||<<|>>|->|\+\+|--|"
    r"[|&+\-*/]=|[^\s\w]", re.S)


class Mutant:
    """One change: text[start:end] of a file becomes `new`."""

    def __init__(self, name, text, start, end, new, what):
        self.name, self.start, self.end, self.new = name, start, end, new
        first = text.rfind("\n", 0, start) + 1
        last = text.find("\n", start)
        line = " ".join(text[first:last].split())
        place = text.count("\n", 0, start) + 1
        nth = text[first:start].count(text[start:end])
        self.where = f"src/gate/{name}:{place}"
        self.key = f"{name} | {function_of(text, start)} | {line} | " + (
            what if what == "removed" else f"{what} #{nth + 1}")

    def text(self, text):
        return text[:self.start] + self.new + text[self.end:]


def function_of(text, at):
    names = re.findall(r"^[a-z][^\n;=]*?\b(\w+)\((?:[^;{]*?)\)\s*\{",
                       without_comments(text[:at]), re.M)
    return names[-1] if names else "-"


def tokens(text):
    """(start, end, word) of the code, without comments and directives."""
    directives = [m.span() for m in re.finditer(
        r"^[ \t]*#(?:\\\n|[^\n])*", text, re.M)]
    for match in TOKEN.finditer(text):
        word = match.group()
        if word.startswith("/*") or word[0] in "\"'":
            continue
        if any(a <= match.start() < b for a, b in directives):
            continue
        yield match.start(), match.end(), word


def token_mutants(name, text):
    found = list(tokens(text))
    words = [w for _, _, w in found]
    for i, (start, end, word) in enumerate(found):
        before = words[i - 1] if i else ""
        for new in SWAPS.get(word, []):
            yield Mutant(name, text, start, end, new, f"{word} -> {new}")
        if re.fullmatch(r"\d+", word) and before != "[":
            new = str(int(word) + 1)
            yield Mutant(name, text, start, end, new, f"{word} -> {new}")
            if int(word) > 1:
                new = str(int(word) - 1)
                yield Mutant(name, text, start, end, new, f"{word} -> {new}")
        if word in "+-" and re.match(r"[\w)\]]", before[-1:] or " ") and \
                before not in ("return", "case"):
            new = "-" if word == "+" else "+"
            yield Mutant(name, text, start, end, new, f"{word} -> {new}")
        if word == "if":
            yield negated(name, text, found, i)
        for family in FAMILIES:
            if family.match(word) and words[i - 1] != "case":
                members = sorted({w for w in words if family.match(w)})
                if len(members) > 1:
                    new = members[(members.index(word) + 1) % len(members)]
                    yield Mutant(name, text, start, end, new,
                                 f"{word} -> {new}")
                break


def negated(name, text, found, i):
    """if (x) becomes if (!(x))."""
    depth = 0
    for start, _, word in found[i + 1:]:
        depth += (word == "(") - (word == ")")
        if depth == 0:
            break
    opening = found[i + 1][0]
    return Mutant(name, text, opening, start + 1,
                  "(!" + text[opening:start + 1] + ")", "if negated")


STATEMENT = re.compile(
    r"^( +)(?!return\b|break\b|case\b|default\b|goto\b|continue\b|else\b|if\b|"
    r"for\b|while\b|switch\b|struct\b|const\b|static\b|enum\b|bool\b|int\d*\b|"
    r"uint\d+_t\b|int\d+_t\b|hg_why_set\b)"
    r"([A-Za-z*(+][^;{}]*;)[^\n]*$", re.M)


def without_comments(text):
    """The same with spaces for comments: every place stays what it was."""
    return re.sub(r"/\*.*?\*/",
                  lambda m: re.sub(r"[^\n]", " ", m.group()), text, flags=re.S)


def statement_mutants(name, text):
    code = without_comments(text)
    for match in STATEMENT.finditer(code):
        head = code[:match.start(2)].rstrip()
        # a real statement begins after one of these
        if head[-1] not in ";{}):" and not head.endswith("else"):
            continue
        word = match.group(2)
        if not re.search(r"[=(]|\+\+|--", word):
            continue
        depth = code[:match.start()].count("{") - \
            code[:match.start()].count("}")
        if depth < 1 or "_Static" in word:
            continue
        yield Mutant(name, text, match.start(2), match.end(2), ";", "removed")


def all_mutants(only):
    sources = {}
    mutants = []
    for name in sorted(os.listdir(GATE)):
        if not name.endswith(".c") or (only and name != only):
            continue
        with open(os.path.join(GATE, name), encoding="utf-8") as file:
            text = sources[name] = file.read()
        mutants += list(token_mutants(name, text))
        mutants += list(statement_mutants(name, text))
    seen = {}
    for mutant in mutants:  # the same line twice in a function
        seen[mutant.key] = seen.get(mutant.key, 0) + 1
        if seen[mutant.key] > 1:
            mutant.key += f" ({seen[mutant.key]})"
    return sources, mutants


def limits():
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


class Bench:
    """Everything but the mutated file is compiled once."""

    def __init__(self, build):
        self.build = build
        self.programs = []
        os.makedirs(build, exist_ok=True)
        self.objects = {}
        for name in sorted(os.listdir(GATE)):
            if name.endswith(".c"):
                self.objects[name] = self.compile(
                    os.path.join(GATE, name), name)
        base = [self.compile(os.path.join(TOP, "src", "base", n), "b_" + n)
                for n in sorted(os.listdir(TOP + "/src/base"))
                if n.endswith(".c")]
        os.makedirs(build + "/sound", exist_ok=True)
        self.library(list(self.objects.values()), build + "/sound")
        units = TOP + "/tests/unit"
        for name in sorted(os.listdir(units)):
            if re.fullmatch(r"test_gate_\w+\.c", name):
                self.link(name[:-2], [self.compile(
                    os.path.join(units, name), name)] + base)
        model = TOP + "/tests/model"
        self.link("explore", [
            self.compile(os.path.join(model, n), "m_" + n, "-O2")
            for n in sorted(os.listdir(model)) if n.endswith(".c")] + base)
        scopes = subprocess.run([build + "/explore", "--list"], text=True,
                                env=self.env(build + "/sound"),
                                capture_output=True, check=True).stdout
        self.scopes = scopes.split()

    def compile(self, source, name, level="-O1"):
        target = os.path.join(self.build, name + ".o")
        subprocess.run(["gcc", level, *FLAGS, "-c", source, "-o", target],
                       check=True)
        return target

    def library(self, objects, folder):
        subprocess.run(["gcc", "-shared", "-o", folder + "/libgate.so",
                        *objects], check=True)

    def link(self, name, objects):
        target = os.path.join(self.build, name)
        subprocess.run(["gcc", "-o", target, *objects,
                        "-L" + self.build + "/sound", "-lgate", "-lcmocka",
                        "-lm"], check=True)
        if name != "explore":
            self.programs.append(target)

    @staticmethod
    def env(folder):
        return dict(os.environ, LD_LIBRARY_PATH=folder)

    def fails(self, command, folder, seconds):
        try:
            return subprocess.run(
                command, env=self.env(folder), stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, timeout=seconds,
                preexec_fn=limits, check=False).returncode != 0
        except subprocess.TimeoutExpired:
            return True

    def killer(self, folder):
        """What notices that the gate in this folder is wrong? Or None."""
        for program in self.programs:
            if self.fails([program], folder, TEST_S):
                return os.path.basename(program)
        for scope in self.scopes:
            if self.fails([self.build + "/explore", "--max", "400000",
                           "--scope", scope], folder, SCOPE_S):
                return "scope " + scope
        return None

    def judge(self, text, mutant):
        """'invalid' when it does not compile, else its killer or None."""
        with tempfile.TemporaryDirectory(dir=self.build) as folder:
            source = os.path.join(folder, mutant.name)
            with open(source, "w", encoding="utf-8") as file:
                file.write(mutant.text(text))
            target = os.path.join(folder, "mutant.o")
            made = subprocess.run(["gcc", "-O1", *FLAGS, "-c", source, "-o",
                                   target], stderr=subprocess.DEVNULL,
                                  check=False)
            if made.returncode != 0:
                return "invalid"
            self.library([target] + [o for n, o in self.objects.items()
                                     if n != mutant.name], folder)
            return self.killer(folder)


def known_survivors():
    known = {}
    if not os.path.exists(KNOWN):
        return known
    with open(KNOWN, encoding="utf-8") as file:
        for number, line in enumerate(file, 1):
            if line.startswith("#") or not line.strip():
                continue
            key, mark, reason = line.rstrip("\n").rpartition(" :: ")
            if not mark or not reason:
                sys.exit(f"{KNOWN}:{number}: no ' :: reason'")
            known[key] = reason
    return known


def report(mutants, verdicts, options):
    known = known_survivors()
    counts = {"invalid": 0, "killed": 0, "survived": 0}
    new, by = [], {}
    for mutant, killer in zip(mutants, verdicts):
        if killer == "invalid":
            counts["invalid"] += 1
        elif killer is not None:
            counts["killed"] += 1
            by[killer] = by.get(killer, 0) + 1
        else:
            counts["survived"] += 1
            if mutant.key not in known:
                new.append(mutant)
    for mutant in new:
        print(f"{mutant.where}: survives: {mutant.key}")
    alive = {m.key for m, k in zip(mutants, verdicts) if k is None}
    is_part = options.sample or options.file or options.keys or \
        options.model_only
    gone = [] if is_part else sorted(
        set(known) - alive)
    for key in gone:
        print(f"survivors.txt: not a survivor any more: {key}")
    for killer in sorted(by):
        print(f"  {by[killer]:5} killed by {killer}")
    valid = counts["killed"] + counts["survived"]
    listed = counts["survived"] - len(new)
    print(f"{valid} mutants ({counts['invalid']} did not compile): "
          f"{counts['killed']} killed, {counts['survived']} survived, "
          f"{listed} of them listed with a reason")
    if options.write:
        with open(options.write, "w", encoding="utf-8") as file:
            file.writelines(f"{m.key}\n" for m in new)
    if valid == 0 or (counts["killed"] == 0 and valid > 20):
        print("nothing was killed: the bench is broken")
        return 1
    return 1 if new or gone else 0


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--sample", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--file")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--build", default=None)
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--write")
    parser.add_argument("--keys")
    parser.add_argument("--model-only", action="store_true")
    options = parser.parse_args()
    sources, mutants = all_mutants(options.file)
    if options.keys:
        with open(options.keys, encoding="utf-8") as file:
            keys = {line.rstrip("\n").rpartition(" :: ")[0] or
                    line.rstrip("\n") for line in file}
        mutants = [m for m in mutants if m.key in keys]
    if options.sample:
        random.Random(options.seed).shuffle(mutants)
        mutants = mutants[:options.sample]
    if options.list:
        print("\n".join(m.key for m in mutants))
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        bench = Bench(options.build or scratch)
        if options.model_only:
            bench.programs = []
        if bench.killer(bench.build + "/sound") is not None:
            print("the gate itself fails its tests: no mutants")
            return 1
        with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
            verdicts = list(pool.map(
                lambda m: bench.judge(sources[m.name], m), mutants))
    return report(mutants, verdicts, options)


if __name__ == "__main__":
    sys.exit(main())
