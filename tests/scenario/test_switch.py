"""Rooms with a foreign, switch-type controller: a relay that knows on and off,
reports in Fahrenheit on topics of its own, and has a hardware timer."""
import json
import os
import signal
import subprocess

from harness import BIN, Observer, Site, boottime, wait
from test_reload import hup

PLANT = "plant/heron"
RELAY = "heron:timer_s=3600"


def binding(**change):
    """The controller of a room as the simulated relay speaks."""
    controller = {
        "kind": "switch", "timer_limit_min": 60,
        "command": {"topic": PLANT + "/relay/command", "on": "ON", "off": "OFF"},
        "signals": {
            "air": {"topic": PLANT + "/climate",
                    "pointer": "/sensors/0/temperature_f", "unit": "F"},
            "door": {"topic": PLANT + "/door",
                     "values": {"open": "OPEN", "closed": "SHUT"}},
            "heater": {"topic": PLANT + "/relay", "pointer": "/state",
                       "values": {"on": "ON", "off": "OFF"}},
            "power": {"topic": PLANT + "/relay",
                      "pointer": "/load/power_kw", "unit": "kW"},
        }}
    controller.update(change)
    return controller


def site_of(controller=None, **room):
    return Site(rooms={"heron": Site.room(
        controller=controller or binding(), **room)})


def start(site, relay=RELAY, **sim):
    site.start(sim_rooms=(relay,), **sim)
    site.plant = Observer(site.broker_port, topics=("plant/#",))
    site.closers.append(site.plant.close)
    return site


def heat(site, **how):
    site.check(site.owner, "heron")
    started = site.heat(site.owner, "heron", **how)
    site.sim.wait_on("heron")
    return started


def commands(site):
    """(when, payload) of everything on the command topic"""
    with site.plant.lock:
        return [(at, payload.decode()) for at, topic, payload, _, _ in
                site.plant.messages if topic == PLANT + "/relay/command"]


def ended(site, why, seconds=20):
    site.owner.see("heron", lambda s: s["last"] and s["last"]["end"] == why,
                   f"the heat to end with {why}", seconds)


def test_switch__heats_after_a_check_and_goes_off_with_the_door():
    with site_of() as site:
        start(site)
        owner, sim = site.owner, site.sim
        assert owner.refused("heat.start", room="heron", target_c=80,
                             duration_min=30).reasons == {"check-missing"}
        heat(site)
        owner.see("heron", lambda s: s["heater"] == "on", "on is reported")
        # Fahrenheit there, Celsius here
        truth = sim.truth("heron")["air_read_c"]
        assert abs(owner.call("room.state", room="heron")["air_c"] -
                   truth) < 1.5
        # each renewal says on again
        wait(lambda: [p for _, p in commands(site)].count("ON") >= 3,
             "on to be said again")
        at = boottime()
        sim.do("heron door open")
        off = wait(lambda: [t for t, p in commands(site)
                            if p == "OFF" and t > at], "off")
        assert off[0] - at < 2, off[0] - at
        owner.see("heron", lambda s: s["phase"] == "holding", "holding")
        sim.do("heron door close")
        sim.wait_on("heron")
        owner.call("heat.stop", room="heron")
        sim.wait_off("heron")
        # off was reported, so it is not said for ever
        wait(lambda: owner.call("room.state", room="heron")["heater"] == "off",
             "off to be reported")
        assert all(not m[3] for m in site.plant.messages
                   if m[1].endswith("/set")), "a command was retained"


def test_switch__a_dead_gateway_is_switched_off_by_the_broker():
    with site_of() as site:
        start(site)
        heat(site)
        at = boottime()
        site.kill("gateway", signal.SIGKILL)
        site.sim.wait_off("heron")
        wait(lambda: [p for t, p in commands(site) if t > at][-1:] == ["OFF"],
             "the will")
        site.start_gateway()
        owner = site.admin()
        wait(lambda: owner.call("room.state", room="heron")["fresh"], "fresh")
        state = owner.call("room.state", room="heron")
        assert state["phase"] == "idle" and not state["may_start"], state


def test_switch__sigterm_says_off():
    with site_of() as site:
        start(site)
        heat(site)
        assert site.kill("gateway") == 0
        site.sim.wait_off("heron")


def test_switch__without_broker_the_hardware_timer_ends_it():
    with site_of() as site:
        start(site, relay="heron:timer_s=12")
        heat(site)
        site.kill("broker", signal.SIGKILL)
        ended(site, "broker-down")
        assert site.sim.truth("heron")["truth_on"], \
            "nothing but its own timer can reach the relay"
        truth = site.sim.wait_off("heron", 30)
        assert truth["last_off_boottime_ms"] - \
            truth["last_on_boottime_ms"] >= 11900


def test_switch__a_mute_door_ends_the_heat():
    with site_of() as site:
        start(site)
        heat(site)
        site.sim.do("heron fault door-silent")
        ended(site, "controller-offline")
        site.sim.wait_off("heron")
        assert site.owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=30
        ).reasons >= {"controller-offline", "door-unknown", "check-missing"}
        site.sim.do("heron fault none")
        site.owner.see("heron", lambda s: s["fresh"] and
                       s["reasons"] == ["check-missing"], "heard again")


def test_switch__what_is_retained_proves_nothing():
    with site_of() as site:
        start(site)
        heat(site)
        site.sim.do("heron fault retained")
        ended(site, "telemetry-stale")
        site.sim.wait_off("heron")
        site.kill("gateway")
        # the broker now holds a shut door and a cool room
        site.start_gateway()
        owner = site.admin()
        assert owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=30
        ).reasons >= {"telemetry-stale", "controller-offline", "door-unknown"}
        assert owner.call("room.state", room="heron")["door"] is None


def test_switch__the_timer_caps_start_and_change():
    with site_of(binding(timer_limit_min=45)) as site:
        start(site)
        site.check(site.owner, "heron")
        assert site.owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=46
        ).reasons == {"duration-over-cap"}
        site.heat(site.owner, "heron", duration_min=30)
        assert site.owner.refused("heat.change", room="heron",
                                  duration_min=46).reasons == \
            {"duration-over-cap"}
        site.owner.call("heat.change", room="heron", duration_min=45)


def test_switch__on_unbidden_locks_the_room():
    with site_of() as site:
        start(site)
        site.sim.do("heron fault welded")
        site.owner.see("heron", lambda s: s["lockouts"] ==
                       ["heater-unbidden"], "heater-unbidden", 40)
        # off is said again and again while on is reported, but not in a flood
        offs = wait(lambda: (lambda o: len(o) > 4 and o)(
            [t for t, p in commands(site) if p == "OFF"]), "offs", 40)
        assert min(b - a for a, b in zip(offs[3:], offs[4:])) > 0.5, offs


def test_switch__a_foreign_on_is_a_rival_and_is_switched_off():
    with site_of() as site:
        start(site)
        site.plant.publish(PLANT + "/relay/command", "ON")
        site.owner.see("heron", lambda s: s["lockouts"] == ["rival-gateway"],
                       "rival-gateway")
        site.sim.wait_off("heron")
        wait(lambda: commands(site)[-1][1] == "OFF", "off to be said")


def test_switch__a_kept_on_is_a_rival_too():
    with site_of() as site:
        site.start_broker()
        keeper = Observer(site.broker_port, topics=("plant/#",))
        site.closers.append(keeper.close)
        # a relay would go on with it at each of its connections
        keeper.publish(PLANT + "/relay/command", "ON", retain=True)
        site.start_gateway()
        owner = site.admin()
        wait(lambda: owner.call("room.state", room="heron")["lockouts"] ==
             ["rival-gateway"], "rival-gateway")


def test_switch__two_gateways_on_one_relay_do_not_heat_on():
    with site_of() as one, site_of() as two:
        start(one)
        two.broker_port = one.broker_port
        two.config["broker"] = {"host": "127.0.0.1", "port": one.broker_port,
                                "client_id": "second",
                                "topic_root": "second/v1"}
        heat(one)
        two.start_gateway()  # it begins with off
        ended(one, "stopped")
        one.sim.wait_off("heron")
        second = two.admin()
        wait(lambda: second.call("room.state", room="heron")["fresh"],
             "the second gateway to hear the relay")
        one.check(one.owner, "heron")
        one.heat(one.owner, "heron")  # it may be over before it is seen
        wait(lambda: "rival-gateway" in
             second.call("room.state", room="heron")["lockouts"],
             "the second gateway to notice the first")
        one.owner.see("heron", lambda s: s["phase"] == "idle", "its end")
        one.sim.wait_off("heron")


def test_switch__the_gateway_regulates_what_cannot():
    with site_of() as site:
        start(site, relay="heron:timer_s=3600,start_c=55,noise_c=0,lag_s=0",
              speed=20)
        heat(site, target_c=60)
        site.sim.wait_off("heron", 60)
        site.owner.see("heron", lambda s: s["phase"] == "heating" and
                       s["heater"] == "off" and s["air_c"] >= 60,
                       "off at the target while the heat goes on", 60)
        assert site.owner.rooms["heron"]["lockouts"] == []


def doctor(site, *args):
    """exit status and output of heatgate doctor --binding heron"""
    done = subprocess.run(
        [os.path.join(BIN, "heatgate"), "--socket",
         site.config["admin_socket"], "doctor", "--binding", "heron",
         "--seconds", "1", *args], stdout=subprocess.PIPE, text=True,
        stderr=subprocess.STDOUT, timeout=60)
    return done.returncode, done.stdout


def test_switch__doctor_shows_what_each_pointer_reads():
    controller = binding()
    with site_of(controller) as site:
        start(site)
        status, text = doctor(site)
        assert status == 0 and "Every signal is read." in text, text
        assert '"SHUT" -> closed' in text, text
        status, text = doctor(site, "--json")
        result = json.loads(text)
        assert status == 0 and result["ok"], result
        air = result["binding"]["signals"][0]
        # the value as sent, in F, and as converted, in C
        assert air["unit"] == "C" and air["age_ms"] < 3000, air
        assert abs((float(air["raw"]) - 32) * 5 / 9 - air["value"]) < 0.01, air

        # one signal for each way to read nothing
        site.kill("gateway")
        signals = controller["signals"]
        signals["air"]["pointer"] = "/sensors/1/temperature_f"
        signals["door"]["values"]["closed"] = "CLOSED"
        signals["power"]["pointer"] = "/state"
        signals["online"] = {"topic": PLANT + "/status",
                             "values": {"online": "1", "offline": "0"}}
        site.sim.do("heron fault retained")
        site.start_gateway()
        owner = site.admin()

        def states():
            read = owner.call("binding.read", room="heron")
            return {s["signal"]: s["state"] for s in read["signals"]}
        wait(lambda: states().get("heater") == "retained-only", "retained")
        site.sim.do("heron fault none")
        wait(lambda: states() == {
            "air": "pointer-not-found", "door": "not-in-map", "heater": "ok",
            "power": "wrong-type", "online": "no-message"}, states)
        status, text = doctor(site)
        assert status == 1 and "Something is not read" in text, text
        for words in ("the value is none of those in the map",
                      "nothing where the pointer leads",
                      "the value is no number", "no message has come",
                      "needs a heartbeat"):
            assert words in text, (words, text)

        # a room without a binding, and no such room
        assert doctor(site, "--binding", "otter")[0] != 0
        site.kill("gateway")
        assert doctor(site)[0] == 3


def test_switch__a_reload_changes_the_binding_when_the_heat_is_over():
    with site_of(binding(timer_limit_min=45)) as site:
        start(site)
        heat(site, duration_min=20)
        room = site.config["rooms"]["heron"]
        room["controller"] = binding(timer_limit_min=30)
        hup(site)
        assert site.owner.call("binding.read",
                               room="heron")["timer_limit_min"] == 45
        assert site.sim.truth("heron")["truth_on"], "it heats on"
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        wait(lambda: site.owner.call("binding.read", room="heron")
             ["timer_limit_min"] == 30, "the new binding")
        site.owner.see("heron", lambda s: s["fresh"], "fresh on the new one")
        site.check(site.owner, "heron")
        assert site.owner.refused(
            "heat.start", room="heron", target_c=80, duration_min=31
        ).reasons == {"duration-over-cap"}

        # to a lease controller and back
        room["controller"] = {"kind": "lease"}
        hup(site)
        assert site.owner.refused("binding.read", room="heron").code == -32602
        wait(lambda: "controller-offline" in site.owner.call(
            "room.state", room="heron")["reasons"], "nobody at the lease")
        room["controller"] = binding()
        hup(site)
        site.owner.see("heron", lambda s: s["fresh"], "fresh again")

        # gone: off is the last that is said
        heat(site, duration_min=20)
        site.config["rooms"] = {"otter": Site.room()}
        hup(site)
        assert site.sim.truth("heron")["truth_on"], "it heats to its end"
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        wait(lambda: [r["room"] for r in site.owner.call("room.list")["rooms"]]
             == ["otter"], "the room to leave")
        assert commands(site)[-1][1] == "OFF"
        site.config["rooms"]["heron"] = Site.room(controller=binding())
        hup(site)
        wait(lambda: site.owner.call("room.state", room="heron")["fresh"],
             "the room to be heard again")
