"""Light and fan: who may switch them, what the heat does to them, and that
they never come before a revoke. The peer at the broker is paho; what the
simulated controller switched is the truth. The run-on to its end is proved
with time as a value, in tests/unit/test_outputs.c."""
import json

from harness import ROOT, Site, wait
from peers import guest, staff, wait_record
from test_reload import hup


def rooms():
    return {"heron": Site.room(outputs={"light": True, "fan_run_on_min": 60}),
            "otter": Site.room(label="Otter cabin",
                               outputs={"fan_run_on_min": 0}),
            "seal": Site.room(label="Seal cabin")}


def shown(observer, room):
    """The newest outputs message, without its version."""
    heard = observer.all(f"{ROOT}/{room}/outputs")
    return heard and heard[-1][1] and {
        k: v for k, v in heard[-1][1].items() if k != "v"}


def wait_shown(site, room, light, fan, observer=None):
    """At the broker, and then by what the controller switched."""
    want = {"light": light, "fan": fan}
    observer = observer or site.observer
    wait(lambda: shown(observer, room) == want,
         lambda: f"{want} of {room}; it is {shown(observer, room)}", 60)
    wait(lambda: want.items() <= site.sim.truth(room).items(),
         lambda: f"{want} in {room}; it is {site.sim.truth(room)}", 60)


def heated(site, room):
    site.check(site.owner, room)
    site.heat(site.owner, room)
    site.sim.wait_on(room)


def light(client, is_on=True, room="heron"):
    """Switch the light, however soon after the last time."""
    def switched():
        try:
            return client.call("output.set", room=room, output="light",
                               on=is_on)
        except Exception as error:
            assert getattr(error, "code", 0) == 1005, error
            return None
    return wait(switched, "the light to be switched", every=0.3)


def test_outputs__people_switch_what_their_room_has():
    with Site(rooms=rooms()) as site:
        site.start(sim_rooms=("heron", "otter", "seal"), speed=10)
        party = guest(site)
        wait_shown(site, "heron", False, False)  # after the start: all off
        answer = party.call("output.set", room="heron", output="light",
                            on=True)
        assert answer == {"outputs": {"light": True, "fan": False}}, answer
        wait_shown(site, "heron", True, False)
        site.owner.see("heron", lambda s: s["outputs"]["light"], "the light")
        record = wait_record(site, kind="output-set", room="heron")[-1]
        assert record["actor"] == f"guest:{party.issued['id']}", record
        assert (record["output"], record["on"]) == ("light", True), record
        # who may not, and what is not there
        others = [(staff(site, "caretaker"), 1003),
                  (guest(site, rooms=("seal",)), 1004)]
        for client, code in others:
            assert client.refused("output.set", room="heron", output="light",
                                  on=False).code == code
        for room, output in (("otter", "light"), ("seal", "light"),
                             ("seal", "fan")):
            assert site.owner.refused("output.set", room=room, output=output,
                                      on=True).code == 1004, (room, output)
        assert "outputs" not in site.owner.call("room.state", room="seal")
        assert not site.observer.all(f"{ROOT}/seal/outputs")
        assert site.owner.call("room.state", room="otter")["outputs"] == \
            {"fan": False}
        # one word a second for each output
        wait(lambda: (lambda e: e and e.code == 1005)(toggled(party)),
             "to be told to slow down", every=0)
        light(staff(site, "integrator"))
        wait_shown(site, "heron", True, False)

        # a reload keeps it; outputs that come and go are told
        site.config["rooms"]["seal"]["outputs"] = {"light": True}
        site.config["rooms"]["otter"].pop("outputs")
        hup(site)
        wait_shown(site, "seal", False, False)
        wait(lambda: site.observer.all(f"{ROOT}/otter/outputs")[-1][1] is None,
             "what was retained of otter to be cleared")
        wait_shown(site, "heron", True, False)

        # a broker that forgot everything is told again
        site.kill("broker")
        site.start_broker()
        late = site.observe()
        wait_shown(site, "heron", True, False, late)
        # a restart of the gateway switches off
        site.kill("gateway")
        site.start_gateway()
        wait_shown(site, "heron", False, False, late)
        site.owner = site.admin()
        site.verify()


def toggled(client):
    for is_on in (False, True):
        try:
            client.call("output.set", room="heron", output="light", on=is_on)
        except Exception as error:
            return error
    return None


def test_outputs__the_fan_goes_with_the_heat_and_never_before_a_revoke():
    with Site(rooms=rooms()) as site:
        site.start(sim_rooms=("heron", "otter", "seal"), speed=10)
        for room in ("heron", "otter"):
            heated(site, room)
            wait_shown(site, room, False, True)
        # the door: the revoke is the first of the two on the wire
        with site.observer.lock:
            since = len(site.observer.messages)
        site.sim.do("otter door open")
        wait_shown(site, "otter", False, False)
        with site.observer.lock:
            told = [(topic.split("/")[-1], json.loads(payload)) for
                    _, topic, payload, _, _ in site.observer.messages[since:]
                    if topic in (f"{ROOT}/otter/permit",
                                 f"{ROOT}/otter/outputs")]
        ends = [i for i, (leaf, m) in enumerate(told)
                if leaf == "permit" and not m["heat"]]
        fans = [i for i, (leaf, _) in enumerate(told) if leaf == "outputs"]
        assert ends and fans and ends[0] < fans[0], told
        # somebody's off holds over a held heat, and until the next one
        site.sim.do("otter door close")
        site.owner.see("otter", lambda s: s["phase"] == "heating", "resumed")
        wait_shown(site, "otter", False, True)
        site.owner.call("output.set", room="otter", output="fan", on=False)
        wait_shown(site, "otter", False, False)
        assert site.owner.call("room.state", room="otter")["heat"]
        site.owner.call("heat.stop", room="otter")
        heated(site, "otter")
        wait_shown(site, "otter", False, True)
        for room in ("heron", "otter"):
            site.owner.call("heat.stop", room=room)
            site.sim.wait_off(room)
        wait_shown(site, "otter", False, False)  # no run-on
        wait_shown(site, "heron", False, True)   # an hour of it
        assert site.owner.call("room.state", room="heron")["heat"] is None
        site.owner.call("output.set", room="heron", output="fan", on=False)
        wait_shown(site, "heron", False, False)
