"""Between gateway and controller: a broker that dies, stands still or comes
back, a wire that swallows packets, and a second gateway on the same topics."""
import signal
import time

from faults import (LEASE_S, Wire, begin, heat_on, judge,
                    quick_site, run, sign, wait_log)
from harness import RpcError, Site, boottime, wait


def off_within_a_lease(site, since):
    truth = site.sim.wait_off("heron", LEASE_S + 3)
    off = truth["last_off_boottime_ms"] / 1000 - since
    assert off <= LEASE_S + 0.5, f"off only {off:.1f} s after the fault"
    return off


def ended(site, grant, ends, seconds=20):
    site.owner.see("heron", lambda s: s["last"] and
                   s["last"]["heat_id"] == grant["heat_id"] and
                   s["last"]["end"] in ends, f"an end among {ends}", seconds)
    return site.owner.rooms["heron"]["last"]["end"]


def back(site, seconds=40):
    """Fresh again without a hand, nothing heats by itself, a new check and a
    start work."""
    site.owner.see("heron", lambda s: s["fresh"] and s["phase"] == "idle",
                   "fresh again and idle", seconds)
    assert not site.sim.truth("heron")["truth_on"]
    return heat_on(site)


def test_fault__broker_killed_in_a_heat_ends_it_by_lease():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        at = boottime()
        site.kill("broker", signal.SIGKILL)
        ended(site, first, ("broker-down",), 5)
        wait_log(site, "the connection to the broker is lost, so nothing may "
                 "heat")
        print(f"off after {off_within_a_lease(site, at):.1f} s")
        assert "broker-down" in site.owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=60).reasons
        site.owner.call("heat.stop", room="heron")
        site.start_broker()
        second = back(site)
        judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__broker_restarted_in_a_heat_does_not_bring_it_back():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        at = boottime()
        site.kill("broker", signal.SIGKILL)
        site.start_broker()
        ended(site, first, ("broker-down",))
        off_within_a_lease(site, at)
        second = back(site)
        judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__frozen_broker_ends_the_heat_by_lease():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        at = boottime()
        broker = site.processes["broker"]
        broker.send_signal(signal.SIGSTOP)
        print(f"off after {off_within_a_lease(site, at):.1f} s")
        ended(site, first, ("telemetry-stale", "broker-down"))
        site.owner.call("heat.stop", room="heron")
        broker.send_signal(signal.SIGCONT)
        # what waited in the broker meanwhile is old and proves nothing
        second = back(site)
        judge(site, [first["heat_id"], second["heat_id"]])


def silent(site, cut, mend):
    """A connection that is up at both ends and carries nothing."""
    begin(site)
    first = heat_on(site)
    at = boottime()
    cut()
    print(f"off after {off_within_a_lease(site, at):.1f} s")
    end = ended(site, first, ("telemetry-stale", "broker-down"))
    assert {end, "check-missing"} <= site.owner.refused(
        "heat.start", room="heron", target_c=80, duration_min=60).reasons
    site.owner.call("heat.stop", room="heron")
    mend()
    second = back(site, 90)
    judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__half_open_connection_ends_the_heat():
    with quick_site() as site:
        wire = Wire(site)
        silent_site(site, wire, lambda: wire.rules("drop"),
                    lambda: wire.rules(""))


def test_fault__link_down_ends_the_heat():

    with quick_site() as site:
        wire = Wire(site)
        silent_site(site, wire,
                    lambda: run("ip", "link", "set", "hg0", "down"),
                    lambda: run("ip", "link", "set", "hg0", "up"))


def silent_site(site, wire, cut, mend):
    start = site.start_gateway
    site.start_gateway = lambda **kwargs: start(prefix=wire.inside, **kwargs)
    silent(site, cut, mend)


def test_fault__a_third_of_all_packets_lost_is_still_safe():
    with quick_site() as site:
        wire = Wire(site)
        start = site.start_gateway
        site.start_gateway = lambda **kwargs: start(prefix=wire.inside,
                                                    **kwargs)
        begin(site)
        wire.rules("numgen random mod 100 < 30 drop")
        grants, stop_at = [], time.monotonic() + 30
        while time.monotonic() < stop_at:
            try:
                sign(site.owner)
                grants.append(site.heat(site.owner, "heron")["heat_id"])
            except RpcError as error:
                assert error.code == 1001, error
            heater_follows_the_last_word(site)
            time.sleep(0.1)  # many askings a second prove no more
        wire.rules("")
        # a stop gets through, or the lease ends it
        at = boottime()
        site.owner.call("heat.stop", room="heron")
        off_within_a_lease(site, at)
        grants.append(back(site, 90)["heat_id"])
        print(f"{len(grants)} grants, "
              f"{len(site.observer.permits('heron'))} permits and revokes")
        judge(site, grants)


def heater_follows_the_last_word(site):
    """On only within a lease of a permit that reached the broker."""
    truth = site.sim.truth("heron")
    heats = [at for at, p in site.observer.permits("heron") if p["heat"]]
    if truth["truth_on"]:
        assert heats and boottime() - heats[-1] <= LEASE_S + 1, \
            "on without a permit"


def rival_of(site, client_id):
    """A second gateway, with a state of its own, on the same broker."""
    rival = Site(rooms=dict(site.config["rooms"]))
    rival.broker_port = site.broker_port
    rival.config["broker"] = {"host": "127.0.0.1", "port": site.broker_port,
                              "client_id": client_id}
    rival.start_gateway()
    rival.owner = rival.admin()
    rival.owner.watch("heron")
    return rival


def rests(site):
    """They do not outbid each other for ever: after a last word a whole
    lease passes without another."""
    words = len(site.observer.permits("heron"))
    until = time.monotonic() + LEASE_S
    while time.monotonic() < until:
        time.sleep(0.1)
        if len(site.observer.permits("heron")) != words:
            words = len(site.observer.permits("heron"))
            assert words < 60, "the two do not stop answering each other"
            until = time.monotonic() + LEASE_S


def cleared(site):
    """Whether the room is free; refused while the rival was heard lately."""
    try:
        for lockout in site.owner.call("room.state", room="heron")["lockouts"]:
            site.owner.call("lockout.clear", room="heron", lockout=lockout,
                            note="the other gateway is gone")
        return True
    except RpcError as error:
        assert error.reasons == {"rival-gateway"}, error
        return False


def test_fault__two_gateways_on_one_room_lock_it():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        with rival_of(site, "rival") as rival:
            # the newcomer takes every permit back when it connects
            site.sim.wait_off("heron", LEASE_S + 2)
            rival.owner.see("heron", lambda s: s["fresh"], "fresh there too")
            for each in (rival, site):
                try:
                    sign(each.owner)
                    each.owner.call("heat.start", room="heron", target_c=80,
                                    duration_min=60)
                except RpcError as error:
                    assert error.code in (1001, 1006), error
            wait(lambda: any("rival-gateway" in
                             each.owner.rooms["heron"]["lockouts"]
                             for each in (site, rival)),
                 "one of the two to notice the other")
            site.sim.wait_off("heron", LEASE_S + 2)
            wait(lambda: site.observer.notices("heron", "rival-gateway"),
                 "a notice about it")
            rests(site)
        # neither comes back to heat by itself, alone again or not
        site.sim.wait_off("heron", LEASE_S)
        wait(lambda: cleared(site), "the lockout to be cleared", 30)
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        site.owner.call("heat.stop", room="heron")
        second = heat_on(site)
        site.verify()
        granted = [r["heat_id"] for r in site.journal(kind="heat-granted")]
        assert {first["heat_id"], second["heat_id"]} <= set(granted)


def test_fault__two_gateways_with_one_name_never_heat_for_long():
    with quick_site() as site:
        begin(site)
        heat_on(site)
        with rival_of(site, "heatgate") as rival:
            # the broker throws out the older of two equal names, each time
            wait_log(site, "the connection to the broker is lost, so nothing "
                     "may heat")
            site.sim.wait_off("heron", LEASE_S + 2)
            assert not rival.owner.call("room.state", room="heron")["heat"]
        back(site, 60)
        site.verify()
