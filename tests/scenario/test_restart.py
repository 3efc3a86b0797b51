"""Restarts: nothing heats without a new request, nothing is believed that
was not seen, nothing that was locked or used is open again."""
import os
import signal
import subprocess
import time

from harness import BIN, ROOT, SLOW, Site, boottime, rfc3339, wait
from peers import guest, staff, wait_record


def heating(site, client=None):
    client = client or site.owner
    site.check(client, "heron")
    heat = site.heat(client, "heron")
    site.sim.wait_on("heron")
    return heat


def restart(site, how=signal.SIGKILL, meanwhile=None):
    site.kill("gateway", how)
    if meanwhile:
        meanwhile()
    site.start_gateway()
    site.owner = site.admin()
    for room in site.config["rooms"]:
        site.owner.watch(room)
        site.owner.see(room, lambda s: s["fresh"], "fresh", 30)


def wait_saved(site, since):
    """rooms.json is written a second after a change; a crash before that
    voids a check that was signed (the safe side), so wait for it."""
    path = site.config["state_dir"] + "/rooms.json"
    wait(lambda: os.path.exists(path) and os.path.getmtime(path) > since and
         b'"valid"' in open(path, "rb").read(), "the room to be saved")


def epoch(site):
    with open(site.config["state_dir"] + "/epoch") as file:
        return int(file.read())


def test_restart__killed_in_heat_it_is_off_within_the_lease():
    with Site() as site:
        site.start(speed=10)
        heat = heating(site)
        first = epoch(site)
        serials = [m["serial"] for _, m in site.observer.permits("heron")]
        at = boottime()
        site.kill("gateway", signal.SIGKILL)
        truth = site.sim.wait_off("heron", 8)
        assert truth["last_off_boottime_ms"] / 1000 - at <= 5.2, truth
        site.start_gateway()
        owner = site.owner = site.admin()
        owner.watch("heron")
        owner.see("heron", lambda s: s["fresh"], "fresh")
        assert owner.rooms["heron"]["phase"] == "idle"
        assert owner.rooms["heron"]["last"]["heat_id"] == heat["heat_id"]
        assert owner.rooms["heron"]["last"]["end"] == "gateway-restart"
        assert owner.rooms["heron"]["check"]["state"] == "used"
        ended = wait_record(site, kind="heat-ended")
        assert ended[-1]["why"] == "gateway-restart"
        wait(lambda: [n for n in site.observer.notices("heron")
                      if n["code"] == "gateway-restart"], "the notice")
        # the next heat needs a new look-in, its serials are higher
        assert owner.refused("heat.start", room="heron", target_c=80,
                             duration_min=60).reasons == {"check-missing"}
        heating(site)
        assert epoch(site) > first
        later = [m["serial"] for _, m in site.observer.permits("heron")
                 if m["serial"] not in serials]
        assert later and min(later) > max(serials)
        assert later == sorted(set(later))
        owner.call("heat.stop", room="heron")
        site.verify()


def test_restart__a_quick_restart_in_heat_does_not_go_on():
    """Well within the lease: the revoke at the connection ends it."""
    with Site() as site:
        site.start(speed=10)
        heating(site)
        at = boottime()
        restart(site)
        truth = site.sim.wait_off("heron", 8)
        assert truth["last_off_boottime_ms"] / 1000 - at <= 5.2
        since = boottime()
        wait(lambda: boottime() > since + 3, "three quiet seconds", 30)
        assert not site.sim.truth("heron")["truth_on"]
        assert site.owner.rooms["heron"]["heat"] is None


def test_restart__sigterm_revokes_before_it_leaves():
    with Site() as site:
        site.start(speed=10)
        heating(site)
        at = boottime()
        process = site.processes["gateway"]
        process.send_signal(signal.SIGTERM)
        truth = site.sim.wait_off("heron", 5)
        assert truth["last_off_boottime_ms"] / 1000 - at < 1 * SLOW, truth
        process.wait(10 * SLOW)
        assert process.returncode == 0, process.returncode
        site.processes.pop("gateway")
        site.observer.catch_up()
        revoke = site.observer.permits("heron")[-1][1]
        assert revoke["heat"] is False and \
            revoke["reason"] == "gateway-restart", revoke
        kinds = [r["kind"] for r in site.journal()]
        assert kinds[-1] == "gateway-stopped" and "heat-ended" in kinds, kinds
        assert not os.path.exists(site.config["admin_socket"]) or \
            not can_connect(site), "nobody answers there"
        site.start_gateway()
        site.owner = site.admin()
        site.verify()


def can_connect(site):
    try:
        site.admin().close()
        return True
    except Exception:
        return False


def test_restart__an_unused_check_survives_by_the_door_counter():
    with Site() as site:
        site.start(speed=10)
        signed_at = time.time()
        site.check(site.owner, "heron")
        wait_saved(site, signed_at)
        for how in (signal.SIGKILL, signal.SIGTERM):
            restart(site, how)
            site.owner.see("heron", lambda s: s["check"]["state"] == "valid",
                           "the check to be valid again")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")


def test_restart__a_check_dies_when_the_door_opened_meanwhile():
    with Site() as site:
        site.start(speed=10)
        signed_at = time.time()
        site.check(site.owner, "heron")
        wait_saved(site, signed_at)

        def open_and_close():
            before = site.sim.truth("heron")["door_count"]
            site.sim.do("heron door open for 500ms")
            wait(lambda: (lambda t: t["door_count"] > before and
                          t["door"] == "closed")(site.sim.truth("heron")),
                 "the door to open and close")
        restart(site, meanwhile=open_and_close)
        state = site.owner.see("heron", lambda s: s["check"]["state"] ==
                               "void", "void")
        assert state["check"]["why"], state["check"]
        # for good, restarts included
        restart(site)
        assert site.owner.rooms["heron"]["check"]["state"] != "valid"
        assert "check-missing" in site.owner.refused(
            "heat.start", room="heron", target_c=80,
            duration_min=60).reasons or \
            "check-void" in site.owner.refused(
                "heat.start", room="heron", target_c=80,
                duration_min=60).reasons


def test_restart__a_check_dies_when_the_controller_rebooted_meanwhile():
    with Site() as site:
        site.start(speed=10)
        signed_at = time.time()
        site.check(site.owner, "heron")
        wait_saved(site, signed_at)
        restart(site, meanwhile=lambda: site.sim.do("heron fault reboot"))
        site.owner.see("heron", lambda s: s["check"]["state"] == "void",
                       "void")


def test_restart__a_check_dies_when_there_is_no_counter():
    with Site() as site:
        site.start(speed=10)
        site.sim.do("heron fault no-counter")
        before = site.owner.rooms["heron"]["rev"]
        signed_at = time.time()
        site.sim.look_in("heron")
        site.owner.see("heron", lambda s: s["door"] == "open", "open")
        site.owner.see("heron", lambda s: s["door"] == "closed" and
                       s["rev"] > before, "closed")
        opened = site.owner.call("check.open", room="heron")
        site.owner.call("check.sign", check=opened["check"],
                        agreed=[s["id"] for s in opened["statements"]])
        wait_saved(site, signed_at)
        restart(site)
        assert site.owner.rooms["heron"]["check"]["state"] == "void"


def test_restart__a_used_check_stays_used():
    with Site() as site:
        site.start(speed=10)
        heating(site)
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        for how in (signal.SIGKILL, signal.SIGTERM, signal.SIGKILL):
            restart(site, how)
            assert site.owner.rooms["heron"]["check"]["state"] == "used"
            assert site.owner.refused(
                "heat.start", room="heron", target_c=80,
                duration_min=60).reasons == {"check-missing"}


def test_restart__killed_in_the_very_start_the_check_is_used_or_unused():
    """kill -9 as soon as the grant was asked for: if it was granted the check
    is used; if not, it may be void, but no heat came of it."""
    with Site() as site:
        site.start(speed=10)
        for delay in (0, 0.0005, 0.001, 0.002, 0.005):
            site.check(site.owner, "heron")
            grants = len(site.journal(kind="heat-granted"))
            site.owner.begin("heat.start", room="heron", target_c=80,
                             duration_min=60)
            end = time.monotonic() + delay
            while time.monotonic() < end:
                pass
            restart(site)
            granted = len(site.journal(kind="heat-granted")) > grants
            site.sim.wait_off("heron", 8)
            state = site.owner.rooms["heron"]
            assert state["heat"] is None
            assert state["check"]["state"] in (
                ("used",) if granted else ("valid", "void")), (granted, state)
            assert state["check"]["state"] == "valid" or not \
                state["may_start"]
        site.verify()


def test_restart__lockouts_survive():
    with Site() as site:
        site.start(speed=10)
        site.owner.call("lockout.set", room="heron", lockout="locked-out",
                        note="the guard is loose")
        site.sim.do("otter fault sensor-gone")
        site.owner.see("otter", lambda s: s["lockouts"] == ["sensor-fault"],
                       "sensor-fault")
        site.sim.do("otter fault none")
        for how in (signal.SIGKILL, signal.SIGTERM):
            restart(site, how)
            assert site.owner.rooms["heron"]["lockouts"] == ["locked-out"]
            assert site.owner.rooms["otter"]["lockouts"] == ["sensor-fault"]
        site.owner.call("lockout.clear", room="otter",
                        lockout="sensor-fault", note="sensor changed")
        restart(site)
        assert site.owner.rooms["otter"]["lockouts"] == []


def test_restart__codes_and_revocations_survive():
    with Site() as site:
        site.start(speed=10)
        client, gone = guest(site), guest(site)
        site.owner.call("guest.revoke", id=gone.issued["id"])
        restart(site)
        fresh = site.client()
        assert fresh.refused("hello", code=gone.issued["code"]).code == 1002
        assert fresh.call("hello", code=client.issued["code"])["role"] == \
            "guest"
        listed = {g["id"]: g["ended"] for g in
                  site.owner.call("guest.list")["guests"]}
        assert listed[client.issued["id"]] is False
        assert listed.get(gone.issued["id"], True) is True


def test_restart__the_epoch_only_rises():
    with Site() as site:
        site.start(speed=10)
        epochs = [epoch(site)]
        for _ in range(4):
            restart(site)
            epochs.append(epoch(site))
        assert epochs == sorted(set(epochs)), epochs
        announced = [m["epoch"] for _, m in
                     site.observer.all(ROOT + "/gateway") if m.get("epoch")]
        assert announced == sorted(announced), announced


def test_restart__a_second_instance_refuses_to_start():
    with Site() as site:
        site.start(speed=10)
        heating(site)
        before = epoch(site)
        done = subprocess.run(
            [os.path.join(BIN, "heatgated"), "--config",
             site.write_config()], stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, timeout=20 * SLOW)
        assert done.returncode == 1, (done.returncode, done.stdout)
        assert site.config["state_dir"] in done.stdout or \
            "running" in done.stdout, done.stdout
        # the first one lost nothing: not its socket, epoch or heat
        assert epoch(site) == before
        client = site.admin()
        state = client.call("room.state", room="heron")
        assert state["phase"] == "heating", state
        assert site.sim.truth("heron")["truth_on"]


def test_restart__a_frozen_gateway_is_off_by_lease_and_wakes_up_wise():
    with Site() as site:
        site.start(speed=10)
        heat = heating(site)
        at = boottime()
        gateway = site.processes["gateway"]
        gateway.send_signal(signal.SIGSTOP)
        truth = site.sim.wait_off("heron", 8)
        assert truth["last_off_boottime_ms"] / 1000 - at <= 5.2
        gateway.send_signal(signal.SIGCONT)
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == heat["heat_id"], "ended")
        assert site.owner.rooms["heron"]["last"]["end"] in (
            "telemetry-stale", "broker-down", "telemetry-late"), \
            site.owner.rooms["heron"]["last"]
        site.owner.see("heron", lambda s: s["fresh"], "fresh", 40)
        assert not site.sim.truth("heron")["truth_on"]


def test_restart__a_plan_survives_or_is_told_to_be_gone():
    """I6 forbids heat without a new request after a restart; a plan that
    stays must not start on a check that was not proven."""
    with Site() as site:
        site.start(speed=10)
        manager = staff(site, "manager")
        manager.call("heat.plan", room="heron", target_c=80, duration_min=60,
                     ready_at=rfc3339(20000))
        site.owner.see("heron", lambda s: s["plan"], "the plan")
        restart(site)
        plan = site.owner.rooms["heron"]["plan"]
        if plan is None:
            assert [r for r in site.journal(room="heron")
                    if "plan" in r["kind"]][-1]["kind"] != "plan-set"
            wait(lambda: [n for n in site.observer.notices("heron")
                          if "plan" in n["code"] or "plan" in n["text"]],
                 "a word about the plan that is gone")
        else:
            assert plan["at_risk"], plan
