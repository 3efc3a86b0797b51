"""Clocks that jump and neighbours that want too much: wall time moved under a
running heat, no descriptors left, and a flood of wrong codes."""
import asyncio
import json
import os
import time

import websockets

from faults import begin, heat_on, judge, quick_site
from harness import SUBPROTOCOL, Loop, boottime, wait


# -- the wall clock ---------------------------------------------------------

def fake_time(site):
    """The environment of a gateway whose wall clock follows a file; boot time
    stays what it is."""
    name = "libfaketime.so.1"
    path = next(os.path.join(folder, name) for folder in (
        "/usr/lib/x86_64-linux-gnu/faketime",
        "/usr/lib/aarch64-linux-gnu/faketime")
        if os.path.exists(os.path.join(folder, name)))
    site.wall = os.path.join(site.dir, "wall")
    jump(site, "+0")
    return {"LD_PRELOAD": path, "FAKETIME_TIMESTAMP_FILE": site.wall,
            "FAKETIME_NO_CACHE": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1"}


def jump(site, offset):
    with open(site.wall + ".new", "w") as file:
        file.write(offset + "\n")
    os.rename(site.wall + ".new", site.wall)


def test_fault__wall_clock_jumps_do_not_stretch_or_end_a_heat():
    with quick_site() as site:
        start, env = site.start_gateway, fake_time(site)
        site.start_gateway = lambda **kwargs: start(env=env, **kwargs)
        begin(site)
        grant = heat_on(site, duration_min=1)
        at = boottime()
        jumps = (("+7200", 10), ("-7200", 20), ("+86400", 30), ("-3", 40))
        for offset, after in jumps:
            wait(lambda: boottime() - at > after, "the moment of the jump")
            steps = count_log(site, "the wall clock was stepped")
            jump(site, offset)
            wait(lambda: count_log(site, "the wall clock was stepped") > steps,
                 "the jump to be noticed")
            assert site.sim.truth("heron")["truth_on"], offset
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == grant["heat_id"], "the end", 40)
        assert site.owner.rooms["heron"]["last"]["end"] == "time-up"
        ran = boottime() - at
        assert 57 < ran < 62, f"a minute took {ran:.1f} s"
        site.sim.wait_off("heron", 2)
        judge(site, [grant["heat_id"]])


def count_log(site, text):
    with open(os.path.join(site.dir, "gateway.log")) as file:
        return file.read().count(text)


# -- descriptors ------------------------------------------------------------

async def hold(url, count, opened):
    """Connections that say nothing; those that are refused are left out."""
    for _ in range(count):
        try:
            reader, writer = await asyncio.wait_for(
                asyncio.open_connection("127.0.0.1", url), 2)
            opened.append(writer)
        except (OSError, asyncio.TimeoutError):
            pass


async def let_go(opened):
    for writer in opened:
        writer.close()


def test_fault__no_descriptors_left_heat_goes_on_and_stop_works():
    with quick_site() as site:
        start = site.start_gateway
        site.start_gateway = lambda **kwargs: start(
            prefix=("prlimit", "--nofile=48:48"), **kwargs)
        begin(site)
        grant = heat_on(site)
        pid = site.processes["gateway"].pid
        opened = []
        for _ in range(5):
            Loop.run(hold(site.port, 40, opened))
        print(f"{len(os.listdir(f'/proc/{pid}/fd'))} descriptors of 48")
        # three renewals pass; the owner's connection is served
        renewals = len(site.observer.permits("heron"))
        wait(lambda: len(site.observer.permits("heron")) > renewals + 3,
             "renewals", 15)
        assert site.sim.truth("heron")["truth_on"]
        site.sim.do("heron door open for 1s")
        site.owner.see("heron", lambda s: s["phase"] == "holding", "held", 3)
        site.owner.see("heron", lambda s: s["phase"] == "heating", "on", 10)
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron", 2)
        Loop.run(let_go(opened))
        wait(lambda: admin_opens(site), "the doors to open again")
        second = heat_on(site)
        assert site.processes["gateway"].poll() is None
        judge(site, [grant["heat_id"], second["heat_id"]])


def admin_opens(site):
    try:
        client = site.admin()
        client.call("room.list")
        return True
    except (OSError, AssertionError, asyncio.TimeoutError, TimeoutError,
            websockets.WebSocketException):
        return False


# -- a flood ----------------------------------------------------------------

class Flood:
    """Wrong codes from many connections at many addresses, until end()."""

    def __init__(self, site, callers):
        self.site, self.is_over = site, False
        self.answers, self.refusals = 0, {}
        Loop.run(asyncio.sleep(0))
        self.tasks = [asyncio.run_coroutine_threadsafe(
            self._call(n), Loop._loop) for n in range(callers)]

    async def _call(self, number):
        n = 0
        while not self.is_over:
            address = f"127.{1 + number % 200}.{n % 250}.{1 + n // 250 % 250}"
            try:
                async with websockets.connect(
                        f"ws://127.0.0.1:{self.site.port}/v1/rpc",
                        subprotocols=[SUBPROTOCOL], open_timeout=10,
                        local_addr=(address, 0), ping_interval=None) as caller:
                    for code in self._codes(number, n):
                        await caller.send(json.dumps({
                            "jsonrpc": "2.0", "id": 1, "method": "hello",
                            "params": {"code": code}}))
                        answer = json.loads(await caller.recv())
                        self._note(answer["error"]["code"])
                        if self.is_over:
                            return
            except (OSError, asyncio.TimeoutError,
                    websockets.WebSocketException):
                self._note("refused")
            n += 1

    def _note(self, what):
        self.answers += 1
        self.refusals[what] = self.refusals.get(what, 0) + 1

    @staticmethod
    def _codes(number, n):
        """Well-formed ones, so that each would have to be hashed."""
        for place in range(6):
            yield well_formed(number * 7919 + n * 104729 + place)

    def end(self):
        self.is_over = True
        for task in self.tasks:
            task.result(30)


SYMBOLS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CHECKS = SYMBOLS + "*~$=U"


def well_formed(number):
    """A code with a right check symbol: 16 symbols of base 32, modulo 37
    (Douglas Crockford, Base 32)."""
    value = (number * 0x9E3779B97F4A7C15) % (1 << 80)
    text = "".join(SYMBOLS[value >> shift & 31]
                   for shift in range(75, -1, -5))
    return text + CHECKS[value % 37]


def measure(site, times):
    """Milliseconds from a door that opens to the revoke at the broker."""
    found = []
    for _ in range(times):
        site.owner.see("heron", lambda s: s["phase"] == "heating" and
                       s["permit"]["live"], "heat", 20)
        before = len(site.observer.permits("heron"))
        at = boottime()
        site.sim.do("heron door open for 1s")
        wait(lambda: any(not p["heat"] for _, p in
                         site.observer.permits("heron")[before:]),
             "the revoke", 5, every=0.001)
        heard = next(t for t, p in site.observer.permits("heron")[before:]
                     if not p["heat"])
        found.append((heard - at) * 1000)
        site.owner.see("heron", lambda s: s["phase"] == "holding", "held", 5)
    return sorted(found)


def test_fault__login_flood_does_not_delay_a_revoke():
    with quick_site() as site:
        begin(site)
        owner = site.client(site.owner.call(
            "staff.issue", role="manager", rooms=["heron"])["code"])
        grant = heat_on(site)
        quiet = measure(site, 8)
        flood = Flood(site, 40)
        wait(lambda: flood.answers > 100, "the flood")
        loud = measure(site, 8)
        at = time.monotonic()
        owner.call("room.state", room="heron")
        answer_ms = (time.monotonic() - at) * 1000
        owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron", 2)
        flood.end()
        print(f"door open to revoke, ms: quiet {quiet[4]:.1f} (at most "
              f"{quiet[-1]:.1f}), flood {loud[4]:.1f} (at most "
              f"{loud[-1]:.1f}); an answer {answer_ms:.1f}; "
              f"{flood.answers} wrong codes, {flood.refusals}")
        assert loud[-1] < 1000, loud
        assert flood.refusals.get(1002, 0) + flood.refusals.get(1005, 0) > 0
        # the flood cannot fill the disk: refusals are counted together
        seconds = len(site.journal(kind="sign-in-refused"))
        assert seconds < flood.answers / 2 + 20, (seconds, flood.answers)
        judge(site, [grant["heat_id"]])
