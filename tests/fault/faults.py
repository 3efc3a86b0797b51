"""What the fault tests share: rooms that are quick to check, system calls
made to fail, namespaces of a test's own, and the judgement at the end.

A test runs in a process of its own (tests/scenario/run.py), so that it may
move itself into a new mount or network namespace.
"""
import ctypes
import os
import re
import signal
import subprocess

from harness import Site, wait

LEASE_S = 5  # of Site.room()
CLONE_NEWNS, CLONE_NEWNET = 0x00020000, 0x40000000
PLACE_CODE = "HERON-7"


# -- sites ------------------------------------------------------------------

def quick_site(**settings):
    """A site whose room heron is checked with a code posted at the room, so
    that no door has to move before each heat."""
    config = settings.pop("config", {})
    site = Site(rooms={"heron": Site.room()}, **config)
    path = os.path.join(site.dir, "place-code")
    with open(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600), "w") as file:
        file.write(PLACE_CODE + "\n")
    site.config["rooms"]["heron"] = Site.room(
        check_evidence="place-code", place_code_file=path, **settings)
    return site


def begin(site, **sim):
    sim.setdefault("period_ms", 300)
    return site.start(sim_rooms=("heron",), **sim)


def sign(client, room="heron"):
    opened = client.call("check.open", room=room)
    return client.call("check.sign", check=opened["check"],
                       agreed=[s["id"] for s in opened["statements"]],
                       place_code=PLACE_CODE)


def heat_on(site, duration_min=60):
    """Sign, start, and see the heater on. Returns the answer."""
    sign(site.owner)
    answer = site.heat(site.owner, "heron", duration_min=duration_min)
    site.sim.wait_on("heron")
    return answer


def again(site, prefix=(), env=None):
    """A gateway after one that ended, and its first fresh telemetry."""
    site.start_gateway(prefix=prefix, env=env)
    site.owner = site.admin()
    site.owner.watch("heron")
    site.owner.see("heron", lambda s: s["fresh"], "fresh telemetry")


def log_has(site, text, name="gateway"):
    with open(os.path.join(site.dir, name + ".log"), errors="replace") as file:
        return text in file.read()


def wait_log(site, text, seconds=20):
    wait(lambda: log_has(site, text), f"the log to say: {text}", seconds)


# -- the judgement ----------------------------------------------------------

def judge(site, grants=()):
    """What must be true after any fault: the chain is whole, every grant that
    was answered is on the disk, one check opened the gate once, serials only
    rose, and every permit to heat had a durable grant behind it."""
    site.verify()
    records = site.journal(room="heron")
    granted = [r["heat_id"] for r in records if r["kind"] == "heat-granted"]
    missing = set(grants) - set(granted)
    assert not missing, f"answered, but not in the journal: {missing}"
    checks = 0
    for record in records:
        if record["kind"] == "check-signed":
            checks = 1
        elif record["kind"] == "heat-granted":
            assert checks == 1, f"no unused check before {record}"
            checks = 0
    judge_permits(site, granted)


def judge_permits(site, granted):
    last = 0
    for _, permit in site.observer.permits("heron"):
        assert permit["serial"] > last, f"serials fell at {permit}"
        last = permit["serial"]
        if permit["heat"]:
            assert 0 < permit["ttl_ms"] <= LEASE_S * 1000, permit
            assert permit["heat_id"] in granted, f"never granted: {permit}"


# -- system calls -----------------------------------------------------------

def threads(pid):
    return sorted(int(t) for t in os.listdir(f"/proc/{pid}/task"))


class Strace:
    """Attached to running threads; what it injects begins when it is made
    and ends with end()."""
    number = 0

    def __init__(self, site, tids, calls, inject=None, follow=False):
        Strace.number += 1
        self.name = f"strace-{Strace.number}"
        self.site = site
        self.path = os.path.join(site.dir, self.name + ".out")
        args = ["strace", "-o", self.path]
        if follow:
            args.append("-f")
        for tid in tids:
            args += ["-p", str(tid)]
        args += ["-e", "trace=" + calls]
        if inject:
            args += ["-e", f"inject={calls}:{inject}"]
        self.process = site.spawn(self.name, args)
        wait(lambda: log_has(site, "attached", self.name),
             "strace to be attached")

    def lines(self):
        with open(self.path, errors="replace") as file:
            return file.read().splitlines()

    def end(self):
        self.site.kill(self.name, signal.SIGINT)


def count_calls(lines):
    """How often each call was made in the output of one thread's strace."""
    counts = {}
    for line in lines:
        found = re.match(r"(?:\d+ +)?([a-z0-9_]+)\(", line)
        if found:
            counts[found.group(1)] = counts.get(found.group(1), 0) + 1
    return counts


# -- namespaces -------------------------------------------------------------

def run(*args, **kwargs):
    done = subprocess.run(args, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, text=True, **kwargs)
    assert done.returncode == 0, f"{' '.join(args)}: {done.stdout}"
    return done.stdout


def unshare(flags):
    """Move this test into namespaces of its own, before it has threads."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(flags) != 0:
        raise OSError(ctypes.get_errno(), "unshare; run the tests as root")
    if flags & CLONE_NEWNS:
        run("mount", "--make-rprivate", "/")
    if flags & CLONE_NEWNET:
        run("ip", "link", "set", "lo", "up")


class Wire:
    """The gateway alone in a network namespace; the broker, the simulator and
    the observer stay in this test's own. hg0 is our end of the wire."""

    def __init__(self, site):
        unshare(CLONE_NEWNET)
        self.holder = site.spawn("holder", ["unshare", "-n", "sleep", "600"])
        pid = self.holder.pid
        ours = os.readlink("/proc/self/ns/net")
        wait(lambda: os.readlink(f"/proc/{pid}/ns/net") != ours,
             "the gateway's namespace")
        self.inside = ["nsenter", f"--net=/proc/{pid}/ns/net"]
        run("ip", "link", "add", "hg0", "type", "veth", "peer", "name", "hg1",
            "netns", str(pid))
        run("ip", "addr", "add", "10.77.0.1/24", "dev", "hg0")
        run("ip", "link", "set", "hg0", "up")
        run(*self.inside, "ip", "addr", "add", "10.77.0.2/24", "dev", "hg1")
        run(*self.inside, "ip", "link", "set", "hg1", "up")
        run(*self.inside, "ip", "link", "set", "lo", "up")
        site.broker_extra = f"listener {site.broker_port} 10.77.0.1\n"
        site.config["broker"]["host"] = "10.77.0.1"

    @staticmethod
    def rules(text):
        """Packet rules on our end, for both directions; "" takes them away."""
        run("nft", "flush", "ruleset")
        if text:
            run("nft", "-f", "-", input=f"""
table inet faults {{
    chain in {{
        type filter hook input priority 0
        iifname "hg0" {text}
    }}
    chain out {{
        type filter hook output priority 0
        oifname "hg0" {text}
    }}
}}
""")
