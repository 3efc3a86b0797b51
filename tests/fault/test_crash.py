"""Sudden ends: kill -9 at each system call of a grant, signals in a storm, a
gateway that stands still for longer than its lease."""
import os
import signal
import subprocess

from faults import (LEASE_S, Strace, again, begin, count_calls, heat_on, judge,
                    log_has, quick_site, sign, threads)
from harness import boottime, wait

CALLS = ("write,pwrite64,writev,fdatasync,fsync,rename,renameat,renameat2,"
         "openat,ftruncate,unlink,unlinkat,close,sendto,sendmsg")


def calls_of_a_grant(site, place):
    """Which calls the thread in this place makes from the request until
    rooms.json is saved, and how often each."""
    tids = threads(site.processes["gateway"].pid)
    sign(site.owner)
    rooms = os.path.join(site.config["state_dir"], "rooms.json")
    before = os.stat(rooms).st_mtime_ns if os.path.exists(rooms) else 0
    trace = Strace(site, [tids[place]], CALLS)
    site.heat(site.owner, "heron")
    site.sim.wait_on("heron")
    wait(lambda: os.path.exists(rooms) and
         os.stat(rooms).st_mtime_ns > before and used(rooms), "a save")
    trace.end()
    site.owner.call("heat.stop", room="heron")
    site.sim.wait_off("heron")
    return count_calls(trace.lines())


def used(rooms):
    with open(rooms) as file:
        return '"state":"used"' in file.read()


def die_at(site, place, call, number):
    """A grant during which the thread is killed at its number-th call.
    Returns whether it died, and the heat's id if the grant was answered."""
    gateway = site.processes["gateway"]
    if site.owner.call("room.state", room="heron")["check"]["state"] != \
            "valid":
        sign(site.owner)
    trace = Strace(site, [threads(gateway.pid)[place]], call,
                   f"signal=KILL:when={number}")
    answer = None
    try:
        answer = site.heat(site.owner, "heron")["heat_id"]
    except (AssertionError, OSError, RuntimeError):
        pass  # no answer: it died first
    try:
        gateway.wait(2.5)
        died = True
    except subprocess.TimeoutExpired:
        died = False
    trace.end()
    return died, answer


def settle(site, died, answer):
    """The gateway after it died: one truth about the grant, everywhere."""
    granted = [r["heat_id"] for r in site.journal(kind="heat-granted")]
    if answer:
        assert answer in granted, f"{answer} was answered and is lost"
    if not died:
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron", LEASE_S + 2)
        return
    site.processes.pop("gateway")
    before = len(granted)
    was_valid = last_check_is_unused(site)
    again(site)
    site.sim.wait_off("heron", LEASE_S + 2)
    state = site.owner.call("room.state", room="heron")
    assert state["phase"] == "idle", state
    if not was_valid:
        assert state["check"]["state"] != "valid", state["check"]
        assert site.owner.refused("heat.start", room="heron", target_c=80,
                                  duration_min=60).reasons
    assert len(site.journal(kind="heat-granted")) == before


def last_check_is_unused(site):
    kinds = [r["kind"] for r in site.journal(room="heron")
             if r["kind"] in ("check-signed", "heat-granted")]
    return bool(kinds) and kinds[-1] == "check-signed"


def sweep(place):
    with quick_site() as site:
        begin(site)
        calls = calls_of_a_grant(site, place)
        assert calls, "the thread made no call at all"
        deaths, answers = [], []
        for call, count in sorted(calls.items()):
            for number in range(1, count + 1):
                died, answer = die_at(site, place, call, number)
                deaths += [call] if died else []
                answers += [answer] if answer else []
                settle(site, died, answer)
        print(f"thread {place}: {calls}, killed {len(deaths)} times, "
              f"{len(answers)} grants answered")
        # each makes at least three of its calls in every grant; a signed
        # head, for one, is written by the clock and may not come again
        assert "write" in deaths and len(deaths) >= 3, (deaths, calls)
        judge(site, answers)


def test_fault__killed_at_each_call_of_the_loop_a_grant_is_whole_or_nothing():
    sweep(0)


def test_fault__killed_at_each_call_of_the_helpers_a_grant_is_whole_or_not():
    with quick_site() as site:
        begin(site)
        count = len(threads(site.processes["gateway"].pid))
        busy = [place for place in range(1, count)
                if calls_of_a_grant(site, place)]
    assert len(busy) >= 2, f"journal and rooms.json need threads: {busy}"
    for place in busy:
        sweep(place)


def die_after(site, ask):
    """Ask, and kill the gateway in the moment of the answer."""
    gateway = site.processes["gateway"]
    answer = ask()
    gateway.kill()
    gateway.wait()
    site.processes.pop("gateway")
    return answer


def test_fault__killed_right_after_an_answer_nothing_answered_is_lost():
    with quick_site() as site:
        begin(site)
        for _ in range(6):
            die_after(site, lambda: sign(site.owner))
            assert last_check_is_unused(site), "a signed check is lost"
            again(site)
            grant = die_after(site, lambda: site.heat(site.owner, "heron"))
            assert grant["heat_id"] in [
                r["heat_id"] for r in site.journal(kind="heat-granted")]
            again(site)
            refused = len(site.journal(kind="heat-refused"))
            site.owner.refused("heat.start", room="heron", target_c=80,
                               duration_min=60)
            # answered before it is on the disk: nothing depends on it
            wait(lambda: len(site.journal(kind="heat-refused")) > refused,
                 "the refusal's record")
            site.sim.wait_off("heron", LEASE_S)
        judge(site)


def test_fault__killed_right_after_an_answer_codes_and_lockouts_hold():
    with quick_site() as site:
        begin(site)
        for number in range(4):
            issued = die_after(site, lambda: site.owner.call(
                "staff.issue", role="manager", rooms=["heron"]))
            again(site)
            assert site.client(issued["code"]).who["role"] == "manager"
            die_after(site, lambda: site.owner.call("lockout.set",
                      room="heron", lockout="locked-out", note=f"{number}"))
            again(site)
            assert site.owner.rooms["heron"]["lockouts"] == ["locked-out"]
            die_after(site, lambda: site.owner.call("lockout.clear",
                      room="heron", lockout="locked-out", note=f"{number}"))
            again(site)
            assert site.owner.rooms["heron"]["lockouts"] == []
            die_after(site, lambda: site.owner.call("staff.revoke",
                                                    id=issued["id"]))
            again(site)
            assert site.client().refused(
                "hello", code=issued["code"]).code == 1002
        for kind in ("lockout-set", "lockout-cleared"):
            notes = [r["note"] for r in site.journal(kind=kind)]
            assert notes == ["0", "1", "2", "3"], (kind, notes)
        assert len(site.journal(kind="access-issued")) == 4
        assert len(site.journal(kind="access-ended")) == 4
        judge(site)


def test_fault__sigterm_in_a_storm_leaves_in_order():
    with quick_site() as site:
        begin(site)
        grant = heat_on(site)
        gateway = site.processes["gateway"]
        for _ in range(300):
            if gateway.poll() is None:
                gateway.send_signal(signal.SIGHUP)
                gateway.send_signal(signal.SIGTERM)
        assert gateway.wait(20) == 0
        site.processes.pop("gateway")
        site.sim.wait_off("heron", 2)
        assert log_has(site, "stopped in order")
        assert site.journal(kind="gateway-stopped")
        site.observer.catch_up()
        last = site.observer.permits("heron")[-1][1]
        assert last["heat"] is False, last
        again(site)
        judge(site, [grant["heat_id"]])


def test_fault__sigterm_at_any_moment_of_the_start_breaks_nothing():
    with quick_site() as site:
        begin(site)
        site.kill("gateway")
        # a moment is a count of calls, not of milliseconds
        for number in (1, 5, 20, 60, 100, 140, 180, 220, 300):
            process = site.start_gateway(
                prefix=("strace", "-D", "-o", "/dev/null", "-e",
                        "inject=read,openat,close,fsync,fdatasync,renameat,"
                        f"write,socket,bind:signal=TERM:when={number}"),
                ready=False)
            try:
                code = process.wait(10)
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGTERM)  # it never came so far
                code = process.wait(20)
            assert code in (0, -signal.SIGTERM), code
            site.processes.pop("gateway")
        again(site)
        grant = heat_on(site)
        judge(site, [grant["heat_id"]])


def test_fault__stopped_longer_than_its_lease_it_wakes_up_harmless():
    with quick_site() as site:
        begin(site)
        grant = heat_on(site)
        gateway = site.processes["gateway"]
        gateway.send_signal(signal.SIGSTOP)
        at = boottime()
        truth = site.sim.wait_off("heron", LEASE_S + 2)
        assert truth["last_off_boottime_ms"] / 1000 - at <= LEASE_S + 0.5
        # the heat stays off while it stands still, and when it wakes up
        site.observer.catch_up()
        permits = len([1 for _, p in site.observer.permits("heron")
                       if p["heat"]])
        gateway.send_signal(signal.SIGCONT)
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == grant["heat_id"] and
                       s["last"]["end"] == "telemetry-stale", "the end")
        site.owner.see("heron", lambda s: s["fresh"] and
                       s["phase"] == "idle", "idle and fresh")
        assert not site.sim.truth("heron")["truth_on"]
        assert permits == len([1 for _, p in site.observer.permits("heron")
                               if p["heat"]]), "it renewed when it woke up"
        assert site.owner.refused("heat.start", room="heron", target_c=80,
                                  duration_min=60).reasons == \
            {"check-missing"}
        second = heat_on(site)
        judge(site, [grant["heat_id"], second["heat_id"]])


def test_fault__restart_in_local_heat_is_no_alarm():
    """Heat started at the panel stays nobody's concern over a restart, after
    an orderly end and after a sudden one."""
    with quick_site() as site:
        begin(site)
        site.sim.do("heron local start")
        site.sim.wait_on("heron")
        site.owner.see("heron", lambda s: s["heater"] == "on", "heat reported")
        wait(lambda: site.journal(kind="local-started"), "its record")
        for how in (signal.SIGTERM, signal.SIGKILL):
            site.kill("gateway", how)
            again(site)
            site.owner.see("heron", lambda s: s["heater"] == "on", "heat")
            assert "already-heating" in site.owner.refused(
                "heat.start", room="heron", target_c=80,
                duration_min=60).reasons, how
        # unbidden is two leases, counted from a lease after the start
        until = boottime() + 3 * LEASE_S + 2
        wait(lambda: boottime() > until or
             site.owner.rooms["heron"]["lockouts"], "three leases", 30)
        assert site.owner.rooms["heron"]["lockouts"] == []
        judge(site)


def test_fault__local_start_just_before_a_crash_is_known_after_it():
    with quick_site() as site:
        begin(site)
        rooms = os.path.join(site.config["state_dir"], "rooms.json")
        boot = site.sim.truth("heron")["boot"]
        wait(lambda: os.path.exists(rooms) and boot in open(rooms).read(),
             "this boot of the controller to be saved")
        site.sim.do("heron local start")
        wait(lambda: site.journal(kind="local-started"), "its record",
             every=0.001)
        site.kill("gateway", signal.SIGKILL)
        again(site)
        site.owner.see("heron", lambda s: s["heater"] == "on", "heat")
        assert "already-heating" in site.owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=60).reasons
        judge(site)
