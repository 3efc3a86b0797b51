"""SIGHUP: the configuration and the certificates change, heat does not."""
import json
import os
import re
import shutil
import signal
import socket
import subprocess

from harness import BIN, ROOT, SLOW, Client, Sim, Site, wait
from peers import Certificates, stay, tls_context, wait_record


def log(site):
    with open(os.path.join(site.dir, "gateway.log"), errors="replace") as file:
        return file.read()


def hup(site, text=None):
    """Reload; text instead of site.config. Waits until it has been judged."""
    if text is None:
        site.write_config()
    else:
        with open(os.path.join(site.dir, "heatgate.json"), "w") as file:
            file.write(text)
    pattern = "was read anew|was refused with"
    before = len(re.findall(pattern, log(site)))
    site.processes["gateway"].send_signal(signal.SIGHUP)
    wait(lambda: len(re.findall(pattern, log(site))) > before, "the reload")


def findings(site):
    return {f["code"]: f for f in site.owner.call("room.list")["findings"]}


def heating(site, room="heron"):
    site.check(site.owner, room)
    heat = site.heat(site.owner, room)
    site.sim.wait_on(room)
    return heat


def serial(site):
    with socket.create_connection(("127.0.0.1", site.port)) as plain:
        plain.settimeout(10 * SLOW)
        with tls_context(site.certificates.ca).wrap_socket(
                plain, server_hostname="127.0.0.1") as secure:
            return secure.getpeercert()["serialNumber"]


def test_reload__a_heating_room_keeps_its_policy_until_its_heat_ends():
    with Site() as site:
        site.start(speed=10)
        heat = heating(site)
        site.config["rooms"]["heron"].update(session_cap_min=90,
                                             label="Heron, new")
        site.config["rooms"]["otter"]["target_max_c"] = 70
        hup(site)
        state = site.owner.see("heron", lambda s: s.get("settings_wait"),
                               "what waits")
        assert state["settings_wait"] == "change"
        assert state["label"] == "Heron, new"
        assert state["heat"]["heat_id"] == heat["heat_id"]
        wait(lambda: site.observer.notices("heron", "settings-wait"), "notice")
        # the old cap holds for the heat, the new limits for the other room
        site.owner.call("heat.change", room="heron", duration_min=120)
        assert "target-out-of-range" in site.owner.refused(
            "heat.start", room="otter", target_c=80, duration_min=60).reasons
        assert site.sim.truth("heron")["truth_on"]
        site.owner.call("heat.stop", room="heron")
        site.owner.see("heron", lambda s: not s.get("settings_wait"), "taken")
        wait(lambda: site.observer.notices("heron", "settings-taken"), "notice")
        assert "duration-over-cap" in site.owner.refused(
            "heat.start", room="heron", target_c=80,
            duration_min=120).reasons
        record = wait_record(site, kind="configuration-reloaded")[-1]
        assert record["changed"] == ["heron", "otter"], record
        assert record["waiting"] == ["heron"], record
        wait_record(site, kind="settings-taken", room="heron")
        site.verify()


def test_reload__a_file_with_problems_changes_nothing():
    with Site() as site:
        site.start(speed=10)
        heat = heating(site)
        bad = json.loads(json.dumps(site.config))
        bad["rooms"]["heron"]["lease_s"] = 4
        bad["rooms"]["otter"]["session_cap_min"] = 5000
        for text in (json.dumps(bad), "{", ""):
            hup(site, text)
            assert "configuration-refused" in findings(site)
        assert "/rooms/heron/lease_s" in log(site)
        assert "/rooms/otter/session_cap_min" in log(site)
        assert site.owner.rooms["heron"]["heat"]["heat_id"] == heat["heat_id"]
        assert site.sim.truth("heron")["truth_on"]
        doctor = subprocess.run(
            [os.path.join(BIN, "heatgate"), "--socket",
             site.config["admin_socket"], "doctor"], text=True,
            stdout=subprocess.PIPE).stdout
        assert "refused" in doctor, doctor
        wait_record(site, kind="configuration-refused", problems=2)
        hup(site)
        assert "configuration-refused" not in findings(site)
        assert site.sim.truth("heron")["truth_on"]
        # a file that was not read yet is told too
        with open(os.path.join(site.dir, "heatgate.json"), "a") as file:
            file.write("\n")
        wait(lambda: "configuration-changed" in findings(site), "the finding")


def test_reload__what_cannot_change_is_named_and_stays():
    with Site() as site:
        site.start(sim_rooms=("heron",))
        port, socket_path = site.port, site.config["admin_socket"]
        site.config["listen"]["port"] = 1
        site.config["broker"]["topic_root"] = "other/root"
        site.config["admin_socket"] += "2"
        site.config["price_per_kwh"] = 0.31
        site.config["currency"] = "EUR"
        site.config["timezone"] = "Europe/Berlin"
        hup(site)
        text = findings(site)["restart-needed"]["text"]
        for name in ("/listen/port", "/broker/topic_root", "/admin_socket"):
            assert name in text, text
        assert "price" not in text and "timezone" not in text, text
        site.config["admin_socket"] = socket_path
        assert Site.can_connect(port)
        before = len(site.observer.all(f"{ROOT}/heron/state"))
        wait(lambda: len(site.observer.all(f"{ROOT}/heron/state")) > before,
             "states on the old root")
        report = site.owner.call("report.energy", room="heron", **stay())
        assert report["price_per_kwh"] == 0.31, report
        site.config["listen"]["port"] = port
        site.config["broker"].pop("topic_root")
        hup(site)
        assert "restart-needed" not in findings(site)


def test_reload__rooms_come_and_go():
    with Site() as site:
        site.start(sim_rooms=None)
        site.sim = Sim(site, ("heron", "otter", "seal"), speed=10)
        site.owner.see("otter", lambda s: s["fresh"], "fresh telemetry")
        assert "seal" not in site.owner.rooms
        site.config["rooms"]["seal"] = Site.room(label="Seal cabin")
        site.config["rooms"].pop("otter")
        hup(site)
        topic = f"{ROOT}/otter/state"
        wait(lambda: site.observer.all(topic)[-1][1] is None,
             "the retained state of the room that left to be cleared")
        assert site.owner.refused("room.state", room="otter").code == 1004
        site.owner.watch("seal")
        site.owner.see("seal", lambda s: s["fresh"], "fresh telemetry")
        heating(site, "seal")
        # a heated room that is removed leaves when its heat has ended
        seal = site.config["rooms"].pop("seal")
        site.config["rooms"]["otter"] = Site.room(label="Otter again")
        hup(site)
        site.owner.see("seal", lambda s: s.get("settings_wait") == "removal",
                       "what waits")
        assert site.sim.truth("seal")["truth_on"]
        site.owner.watch("otter")
        site.owner.see("otter", lambda s: s["fresh"] and
                       s["label"] == "Otter again", "the room to be back")
        site.owner.call("heat.stop", room="seal")
        site.sim.wait_off("seal")
        wait(lambda: site.observer.all(f"{ROOT}/seal/state")[-1][1] is None,
             "the state to be cleared")
        assert site.owner.refused("room.state", room="seal").code == 1004
        assert wait_record(site, kind="settings-taken",
                           room="seal")[-1]["removed"] is True
        # over a restart too: nothing of it stays at the broker
        site.observer.publish(f"{ROOT}/seal/state", "{}", retain=True)
        site.kill("gateway")
        site.start_gateway()
        wait(lambda: site.observer.all(f"{ROOT}/seal/state")[-1][1] is None,
             "the state to be cleared again")
        site.owner = site.admin()
        site.config["rooms"]["seal"] = seal
        hup(site)
        assert "/rooms/seal" in findings(site)["restart-needed"]["text"]
        site.verify()


def test_reload__a_storm_of_reloads_and_one_in_the_start_harm_nothing():
    with Site() as site:
        site.start_broker()
        process = site.start_gateway(ready=False)
        # from the first library call on it is caught; before that, execve
        wait(lambda: os.path.exists(site.config["state_dir"] + "/lock") or
             os.listdir(site.config["state_dir"]), "the start to go on")
        process.send_signal(signal.SIGHUP)
        site.wait_ready(process)
        wait(lambda: "was read anew" in log(site), "the reload of the start")
        site.sim = Sim(site, ("heron", "otter"), speed=10)
        site.observer, site.owner = site.observe(), site.admin()
        site.owner.watch("heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh telemetry", 60)
        heat = heating(site)
        for _ in range(50):
            site.config["rooms"]["heron"]["no_rise_min"] = 16
            process.send_signal(signal.SIGHUP)
        hup(site)
        assert site.owner.rooms["heron"]["heat"]["heat_id"] == heat["heat_id"]
        assert site.sim.truth("heron")["truth_on"]
        site.owner.call("heat.stop", room="heron")
        site.owner.see("heron", lambda s: not s.get("settings_wait"), "taken")
        assert process.poll() is None


def test_reload__a_new_certificate_is_shown_and_nobody_is_dropped():
    site = Site()
    ca = site.certificates = Certificates(site)
    cert, key = ca.issue("gateway", "IP:127.0.0.1,DNS:localhost")
    site.config["listen"]["tls"] = {"cert_file": cert, "key_file": key}
    with site:
        site.start(speed=10)
        issued = site.owner.call("guest.issue", rooms=["heron"], label="x",
                                 **stay())
        old = Client(url=f"wss://127.0.0.1:{site.port}/v1/rpc",
                     tls=tls_context(ca.ca))
        site.closers.append(old.close)
        old.call("hello", code=issued["code"])
        old.watch("heron")
        heat = heating(site)
        first = serial(site)
        other_cert, other_key = ca.issue("renewed", "IP:127.0.0.1")
        # a key that is not the certificate's is refused as a whole
        shutil.copy(other_cert, cert)
        hup(site)
        assert "configuration-refused" in findings(site)
        assert serial(site) == first
        # an RSA pair beside an EC one: the old kind must not be shown either
        ca._openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj",
                    "/CN=rsa", "-keyout", key, "-out", ca.path("csr", "rsa"))
        ca._openssl("x509", "-req", "-in", ca.path("csr", "rsa"), "-CA", ca.ca,
                    "-CAkey", ca.path("key"), "-CAcreateserial", "-days", "2",
                    "-extfile", ca.path("ext", "renewed"), "-out", cert)
        hup(site)
        second = serial(site)
        assert second != first
        shutil.copy(other_cert, cert)
        shutil.copy(other_key, key)
        hup(site)
        third = serial(site)
        assert len({first, second, third}) == 3
        # the old client's watch and the heat went on all the while
        assert old.rooms["heron"]["heat"]["heat_id"] == heat["heat_id"]
        site.owner.call("heat.stop", room="heron")
        old.see("heron", lambda s: s.get("heat") is None, "the end")
        assert site.owner.rooms["heron"]["last"]["end"] == "stopped"


def test_reload__a_new_password_of_the_broker_is_used_at_the_next_connection():
    with Site() as site:
        users = os.path.join(site.dir, "users")
        secret = os.path.join(site.dir, "password")

        def set_password(password):
            done = subprocess.run(["mosquitto_passwd", "-b", "-c", users,
                                   "gateway", password],
                                  stderr=subprocess.PIPE)
            assert done.returncode == 0, done.stderr
            os.chmod(users, 0o644)
            with open(secret, "w") as file:
                file.write(password)
            os.chmod(secret, 0o600)
        set_password("first word")
        site.broker_extra = f"allow_anonymous true\npassword_file {users}\n"
        site.config["broker"].update(username="gateway", password_file=secret)
        site.start(speed=10)
        heat = heating(site)
        set_password("second word")
        hup(site)
        assert site.owner.rooms["heron"]["heat"]["heat_id"] == heat["heat_id"]
        assert site.sim.truth("heron")["truth_on"]
        assert log(site).count("connected to the broker") == 1
        site.kill("broker")
        site.start_broker()
        wait(lambda: log(site).count("connected to the broker") == 2,
             "the connection with the new password", 60)
