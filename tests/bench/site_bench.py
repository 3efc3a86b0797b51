"""The site that is measured: broker, gateway, the bare clients, the script,
the load, the watchers. Each is a context that ends what it began."""
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time

TOP = os.path.dirname(os.path.dirname(os.path.dirname(
    os.path.abspath(__file__))))
sys.path.insert(0, os.path.join(TOP, "tests", "scenario"))
from harness import BIN, ROOT, Site, free_port, wait  # noqa: E402

HERE = os.path.join(BIN, "tests", "bench")
BENCH = os.path.join(HERE, "bench")
STEP = os.path.join(HERE, "bench-step")
# nobody hears the other's topics
BARE = "bare/v1"
SCRIPT = "script/v1"


class Slow:
    """A disk on which each fdatasync takes 200 ms."""
    ENV = {"LD_PRELOAD": os.path.join(HERE, "libslow-sync.so"),
           "SLOW_SYNC_MS": "200"}


def packages():
    """The folder with npm's mqtt and ws; None: there is none to be had."""
    folder = os.path.join(TOP, "tests", "outside", "npm")
    modules = os.path.join(folder, "node_modules")
    if not shutil.which("node"):
        return None
    if not os.path.isdir(os.path.join(modules, "mqtt")) and \
            shutil.which("npm"):
        subprocess.run(["npm", "ci", "--ignore-scripts", "--no-audit",
                        "--no-fund"], cwd=folder, stdout=sys.stderr,
                       check=False)
    return modules if os.path.isdir(os.path.join(modules, "mqtt")) else None


MODULES = packages()
if MODULES is None:
    print("no node, or its packages mqtt and ws are missing: the script is "
          "left out (apt-get install nodejs npm)", file=sys.stderr)
    SCRIPT = None


def percentile(values, part):
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * part))]


def threads_cpu_s(pid):
    """CPU seconds of all its threads that live."""
    total = 0
    for tid in os.listdir(f"/proc/{pid}/task"):
        with open(f"/proc/{pid}/task/{tid}/schedstat") as file:
            total += int(file.read().split()[0])
    return total / 1e9


def rss_kib(pid):
    with open(f"/proc/{pid}/status") as file:
        return next(int(line.split()[1]) for line in file
                    if line.startswith("VmRSS"))


def settle(pid):
    """Until that process has nothing left to do."""
    last, calm = threads_cpu_s(pid), 0

    def is_idle():
        nonlocal last, calm
        now = threads_cpu_s(pid)
        calm = calm + 1 if now - last < 0.002 else 0
        last = now
        return calm == 3  # on a busy machine once may be by chance
    wait(is_idle, "the queue to empty", 120, every=0.2)


def make_journal(folder, rooms, days):
    os.makedirs(folder, mode=0o700, exist_ok=True)
    subprocess.run([os.path.join(HERE, "bench-journal"), folder, str(rooms),
                    str(days)], check=True)


def room_settings():
    return Site.room(stale_after_s=60, late_after_s=30, lease_s=120,
                     door_hold_max_s=300)


class Watchers:
    def __init__(self, process):
        self.process = process
        assert process.stdout.readline() == "ready\n", "no watchers"

    def result(self):
        """Patches, seconds from the first to the last watcher's mark."""
        text, _ = self.process.communicate(timeout=120)
        assert self.process.returncode == 0, text
        patches, seconds = text.split()
        return int(patches), float(seconds)


class Bench(Site):
    def __init__(self, rooms=None):
        super().__init__(
            rooms=rooms or {name: room_settings() for name in
                            ["door"] + [f"room-{n:05d}" for n in range(99)]},
            # nothing is dropped, for nobody
            broker_extra="allow_anonymous true\nmax_queued_messages 0\n")
        self.seq, self.loads = {}, 0
        self.script_port = free_port()

    def start(self, env=None):
        self.start_broker()
        self.start_gateway(env=env)
        owner = self.admin()
        rooms = [r for r in ("door", "room-00000") if r in
                 self.config["rooms"]]
        self.token = owner.call("staff.issue", role="integrator",
                                rooms=rooms)["token"]
        owner.close()  # our own Python would take the same cores

    def mark(self):
        """Degrees of the last message of a load: new each time."""
        self.loads += 1
        return f"20.{7 + self.loads % 3}"

    def burst(self, root, rooms, count, rate):
        self.bench("load", root, rooms, count, rate, self.mark())

    def bench(self, kind, *args):
        done = subprocess.run([BENCH, kind, str(self.broker_port),
                               *map(str, args)], stdout=subprocess.PIPE,
                              text=True)
        assert done.returncode == 0, f"bench {kind} {args} failed"
        return done.stdout

    @contextlib.contextmanager
    def running(self, args, **kwargs):
        process = subprocess.Popen(args, stdout=subprocess.PIPE, text=True,
                                   start_new_session=True, **kwargs)
        try:
            yield process
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGCONT)
                os.killpg(process.pid, signal.SIGTERM)
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            process.stdout.close()

    @contextlib.contextmanager
    def bare(self, kind):
        with self.running([BENCH, kind, str(self.broker_port),
                           BARE]) as process:
            assert process.stdout.readline() == "ready\n", "no client"
            yield process

    @contextlib.contextmanager
    def script(self):
        if SCRIPT is None:
            yield None
            return
        env = dict(os.environ, NODE_PATH=MODULES)
        path = os.path.join(TOP, "tests", "bench", "bridge.js")
        with self.running(["node", path, str(self.broker_port), SCRIPT,
                           str(self.script_port)], env=env) as process:
            wait(lambda: self.can_connect(self.script_port), "the script")
            assert process.stdout.readline() == "ready\n", "no script"
            yield process

    @contextlib.contextmanager
    def load(self, root, rooms, rate):
        with self.running([BENCH, "load", str(self.broker_port), root,
                           str(rooms), "1000000000", str(rate),
                           self.mark()]) as process:
            time.sleep(0.3)  # into its stride; nothing depends on it
            yield process

    @contextlib.contextmanager
    def watchers(self, who, room, count, kind="all"):
        port = self.port if who == "gateway" else self.script_port
        with self.running([os.path.join(HERE, "bench-watch"), kind,
                           str(port), self.token, room,
                           str(count)]) as process:
            yield Watchers(process)

    @contextlib.contextmanager
    def flood(self):
        with self.running([os.path.join(HERE, "bench-watch"), "flood",
                           str(self.port), "20"]) as process:
            time.sleep(0.5)  # the hasher has enough to do
            yield process

    def doors(self, count, *who):
        """Microseconds from a door that opens to the revoke, of each."""
        roots = {"gateway": ROOT, "echo": BARE, "script": SCRIPT}
        who = [w for w in who if roots[w] is not None]
        args = []
        for name in who:
            self.seq[name] = self.seq.get(name, 1000) + 2 * count
            args += [roots[name], "door", self.seq[name]]
        found = {name: [] for name in who}
        for line in self.bench("doors", count, *args).splitlines():
            index, spent_us = line.split()
            found[who[int(index)]].append(float(spent_us))
        return found

    def heat_by_hand(self, room):
        """Take the controller's place: presence, check, start."""
        observer = self.observe(topics=("nothing",))
        owner = self.admin()
        owner.watch(room)
        observer.publish(f"{ROOT}/{room}/online", {"v": 1, "online": True},
                         retain=True)
        for seq, door in enumerate(("open", "closed"), 1):
            observer.publish(f"{ROOT}/{room}/telemetry", {
                "v": 1, "boot": "doors", "seq": seq, "uptime_ms":
                    int(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000),
                "air_c": 20.0 + seq / 10, "door": door, "heater": "off"})
            owner.see(room, lambda s: s.get("door") == door, door)
        check = owner.call("check.open", room=room)
        owner.call("check.sign", check=check["check"],
                   agreed=[s["id"] for s in check["statements"]])
        self.heat(owner, room, duration_min=300)
        owner.see(room, lambda s: s["permit"]["live"], "a live permit")
        owner.close()
