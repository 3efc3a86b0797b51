"""Two gateways on one broker, the rooms split between them by configuration,
and what becomes of the rooms of one that is gone (README, "More than one
machine")."""
import os
import signal

from harness import ROOT, RpcError, Sim, Site, boottime, wait
from test_reload import hup

LEASE_S = 5  # of Site.room()


def split(stack, epoch_of_a=40):
    """Gateway a with the broker, the controllers and the room heron; gateway
    b with the room otter. a has been started so often before."""
    a = stack.enter(Site(rooms={"heron": Site.room()}))
    b = stack.enter(Site(rooms={"otter": Site.room(label="Otter cabin")}))
    set_epoch(a, epoch_of_a)
    a.start_broker()
    for site, name in ((a, "a"), (b, "b")):
        site.broker_port = a.broker_port
        site.config["broker"].update(port=a.broker_port,
                                     client_id="heatgate-" + name)
        up(site)
    a.sim = b.sim = Sim(a, ("heron", "otter"), speed=10)
    a.observer = b.observer = a.observe()
    return a, b


class Stack:
    """Sites that end together, the last one first."""

    def __init__(self):
        self.sites = []

    def enter(self, site):
        self.sites.append(site)
        return site

    def __enter__(self):
        return self

    def __exit__(self, *why):
        for site in reversed(self.sites):
            site.__exit__(*why)


def set_epoch(site, epoch):
    path = os.path.join(site.config["state_dir"], "epoch")
    with open(path, "w") as file:
        file.write(f"{epoch}\n")
    os.chmod(path, 0o600)


def kept_epoch(site):
    with open(os.path.join(site.config["state_dir"], "epoch")) as file:
        return int(file.read())


def up(site):
    site.start_gateway()
    site.owner = site.admin()
    for room in site.config["rooms"]:
        site.owner.watch(room)


def heat_on(site, room):
    site.owner.see(room, lambda s: s["fresh"], "fresh")
    site.check(site.owner, room)
    site.heat(site.owner, room)
    site.sim.wait_on(room)


def serials(site, room, heat=True):
    return [p["serial"] for _, p in site.observer.permits(room)
            if p["heat"] == heat]


def take_over(b):
    """What a person does: the room into b's configuration, b restarted."""
    b.config["rooms"]["heron"] = Site.room()
    b.kill("gateway")
    up(b)


def test_two_gateways__a_room_of_a_dead_one_is_served_by_the_other():
    with Stack() as stack:
        a, b = split(stack)
        heat_on(a, "heron")
        heat_on(b, "otter")
        # both renew for two leases beside each other: no rivals
        for room in ("heron", "otter"):
            many = len(serials(a, room)) + 4
            wait(lambda: len(serials(a, room)) >= many, "renewals", 30)
            assert a.sim.truth(room)["truth_on"], room
        for site, room in ((a, "heron"), (b, "otter")):
            assert site.owner.rooms[room]["lockouts"] == []
            assert not a.observer.notices(room, "rival-gateway")

        at = boottime()
        a.kill("gateway", signal.SIGKILL)
        off = a.sim.wait_off("heron", LEASE_S + 2)
        assert off["last_off_boottime_ms"] / 1000 - at <= LEASE_S + 1, off
        assert b.owner.rooms["otter"]["heat"], "the other room goes on"
        many_of_a = len(serials(a, "heron"))
        last_of_a = serials(a, "heron")[-1]

        take_over(b)
        heat_on(b, "heron")
        first = wait(lambda: serials(b, "heron")[many_of_a:], "a permit")[0]
        assert first >> 24 > last_of_a >> 24, (first, last_of_a)
        assert b.owner.rooms["heron"]["lockouts"] == []
        b.owner.call("heat.stop", room="heron")
        b.sim.wait_off("heron")
        b.verify()


def test_two_gateways__an_epoch_heard_late_counts_at_the_next_start():
    """The dead one was restarted while the other stayed connected; its
    controllers do not say which serial they follow."""
    with Stack() as stack:
        a, b = split(stack)
        for _ in range(3):
            a.kill("gateway", signal.SIGKILL)
            set_epoch(a, kept_epoch(a) + 100)
            up(a)
        heat_on(a, "heron")
        a.kill("gateway", signal.SIGKILL)
        highest = wait(lambda: serials(a, "heron"), "a permit")[-1] >> 24
        wait(lambda: kept_epoch(b) >= highest, "the epoch to be kept")
        # not even the broker knows it any more
        b.kill("gateway")
        a.observer.publish(ROOT + "/gateway", b"", retain=True)
        b.config["rooms"]["heron"] = Site.room()
        up(b)
        begun = [r["epoch"] for r in b.journal(kind="gateway-started")]
        assert begun[-1] > highest, (begun, highest)


def test_two_gateways__a_reload_takes_over_above_all_that_was_heard():
    with Stack() as stack:
        a, b = split(stack)
        a.kill("gateway", signal.SIGKILL)
        set_epoch(a, kept_epoch(b) + 100)
        up(a)
        a.kill("gateway", signal.SIGKILL)
        # no controller is there to tell which serial it follows
        a.sim.process.kill()
        a.sim.process.wait()
        wait(lambda: kept_epoch(b) > 100, "the epoch to be kept")
        highest = kept_epoch(b)
        b.config["rooms"]["heron"] = Site.room()
        hup(b)
        assert "heron" in b.owner.call("room.state", room="heron")["room"]
        assert kept_epoch(b) > highest, (kept_epoch(b), highest)
        b.verify()


def test_two_gateways__one_that_comes_back_is_a_rival_until_a_person_acts():
    with Stack() as stack:
        a, b = split(stack)
        heat_on(a, "heron")
        a.kill("gateway", signal.SIGKILL)
        a.sim.wait_off("heron", LEASE_S + 2)
        take_over(b)
        heat_on(b, "heron")

        up(a)  # with its old configuration
        b.owner.see("heron", lambda s: s["heat"] is None and
                    "rival-gateway" in s["lockouts"], "the room to be locked")
        b.sim.wait_off("heron", LEASE_S + 2)
        wait(lambda: b.observer.notices("heron", "rival-gateway"), "a notice")
        a.owner.see("heron", lambda s: s["fresh"], "fresh")
        assert not b.sim.truth("heron")["truth_on"]
        assert b.owner.rooms["otter"]["lockouts"] == [], "no rival there"

        # the person: a is ended for good, the lockout cleared by name
        a.kill("gateway")
        wait(lambda: cleared(b), "the lockout to be cleared", 60, every=0.5)
        heat_on(b, "heron")


def cleared(site):
    try:
        site.owner.call("lockout.clear", room="heron",
                        lockout="rival-gateway", note="a is switched off")
        return True
    except RpcError as error:
        assert error.reasons == {"rival-gateway"}, error
        return False
