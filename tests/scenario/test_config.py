"""The configuration as an installer meets it."""
import copy
import json
import os
import re
import subprocess

from harness import BIN, TOP, Site, wait
from peers import guest

PROBLEM = re.compile(r"^(?P<file>[^:]+):(?P<line>\d+)(:\d+)?: "
                     r"(?P<pointer>(/[^:]*)?): (?P<text>.+)$")


def heatgated(*args):
    done = subprocess.run([os.path.join(BIN, "heatgated"), *args],
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          text=True, timeout=60)
    return done.returncode, done.stdout + done.stderr


def write(site, config, name="trial.json"):
    path = os.path.join(site.dir, name)
    with open(path, "w") as file:
        if isinstance(config, str):
            file.write(config)
        else:
            json.dump(config, file, indent=1)
    return path


# Contract 5, the table of room settings: name, low, high, a step outside
RANGES = [
    ("session_cap_min", 1, 360, 1), ("target_max_c", 30, 110, 1),
    ("target_min_c", 30, 110, 1), ("heater_kw", 0.5, 60, 0.1),
    ("volume_m3", 1, 300, 0.5), ("stones_kg", 1, 1000, 0.5),
    ("wood_mm", 5, 500, 0.5), ("lease_s", 5, 120, 1),
    ("stale_after_s", 3, 60, 1), ("late_after_s", 1, 30, 1),
    ("look_in_window_min", 1, 60, 1), ("check_valid_min", 5, 1440, 1),
    ("door_hold_max_s", 5, 300, 1), ("over_temp_c", 95, 125, 1),
    ("no_rise_c", 1, 20, 0.5), ("no_rise_min", 5, 60, 1),
    ("rest_after_cap_min", 0, 1440, 1), ("door_proof_days", 1, 366, 1)]

BROKEN = """{
  "broker": {
    "port": 70000,
    "protocol": "4"
  },
  "listen": {
    "port": "8443"
  },
  "colour": "blue",
  "rooms": {
    "Heron": {"usage_class": "private", "heater_kw": 6, "volume_m3": 8.5},
    "otter": {
      "usage_class": "private",
      "volume_m3": 8.5,
      "lease_s": 3,
      "session_cap_min": 400,
      "commissioning": {"waived": " "}
    }
  }
}
"""
# line and pointer of each
EXPECTED = {(3, "/broker/port"), (4, "/broker/protocol"),
            (7, "/listen/port"), (9, "/colour"), (11, "/rooms/Heron"),
            (15, "/rooms/otter/lease_s"),
            (16, "/rooms/otter/session_cap_min"),
            (17, "/rooms/otter/commissioning/waived")}


def test_config__every_problem_is_told_with_its_place():
    with Site() as site:
        path = write(site, BROKEN)
        for args in (("--config", path, "--check"), ("--config", path)):
            code, text = heatgated(*args)
            assert code == 2, (code, text)
            told = {}
            for line in text.strip().split("\n"):
                match = PROBLEM.match(line)
                assert match and match["file"] == path, line
                told[(int(match["line"]), match["pointer"])] = match["text"]
            missing = EXPECTED - set(told)
            assert not missing, (missing, text)
            assert "5 to 120" in told[(15, "/rooms/otter/lease_s")]
            assert "360" in told[(16, "/rooms/otter/session_cap_min")]
            # what is required and missing is told too
            assert "heater_kw" in text, text
            extra = {p for _, p in set(told) - EXPECTED}
            assert all("heater_kw" in p or "otter" in p for p in extra), extra
        assert not os.listdir(site.config["state_dir"]), \
            "a broken configuration changes nothing"


def test_config__the_example_passes():
    code, text = heatgated("--check", "--config", os.path.join(
        TOP, "config", "heatgate.example.json"))
    assert code == 0, text
    assert text.strip(), "it says so"


def test_config__ranges_are_those_of_the_contract():
    with Site() as site:
        base = {"rooms": {"heron": {
            "usage_class": "private", "heater_kw": 6, "volume_m3": 8.5}}}
        wrong = []

        def trial(expected, **settings):
            config = copy.deepcopy(base)
            config["rooms"]["heron"].update(settings)
            code, text = heatgated("--config", write(site, config), "--check")
            name = list(settings)[0]
            if code != expected or (code == 2 and name not in text):
                wrong.append((settings, code, text))
        for name, low, high, step in RANGES:
            more = {"target_min_c": 30} if name == "target_max_c" else \
                {"target_max_c": 110, "over_temp_c": 125} \
                if name == "target_min_c" else {}
            trial(0, **{name: low}, **more)
            trial(0, **{name: high}, **more)
            trial(2, **{name: low - step}, **more)
            trial(2, **{name: high + step}, **more)
            trial(2, **{name: str(low)}, **more)
            trial(2, **{name: True}, **more)
        for usage, cap in (("private", 360), ("semi-public", 720),
                           ("public", 1080)):
            for minutes, expected in ((cap, 0), (cap + 1, 2)):
                config = copy.deepcopy(base)
                config["rooms"]["heron"].update(usage_class=usage,
                                                session_cap_min=minutes)
                code, text = heatgated("--config", write(site, config),
                                       "--check")
                if code != expected:
                    wrong.append((usage, minutes, code, text))
        trial(2, usage_class="royal")
        trial(2, check_evidence="none")
        trial(2, door_while_heating="ignore")
        trial(2, commissioning="waived")
        trial(2, commissioning={"waived": ""})
        trial(2, over_temp_c=94)  # target_max_c + 5
        trial(0, over_temp_c=125, target_max_c=110)
        assert not wrong, "\n".join(map(str, wrong))


def test_config__files_that_are_no_configuration():
    with Site() as site:
        for text in ("", "{", "[]", "null", "7", '{"rooms":{}}', "{}",
                     '{"rooms":[]}', '{"rooms":{"a":7}}', "\ufeff{}",
                     '{"rooms":' + "[" * 5000, "\x00",
                     '{"rooms":{"heron":{"usage_class":"private",'
                     '"heater_kw":1e999,"volume_m3":8}}}',
                     '{"rooms":{"heron":{"usage_class":"private",'
                     '"heater_kw":6,"heater_kw":7,"volume_m3":8}}}'):
            path = write(site, text)
            code, told = heatgated("--config", path, "--check")
            assert code == 2 and path in told, (text[:50], code, told)
        code, told = heatgated("--config", site.dir + "/none", "--check")
        assert code == 2 and site.dir + "/none" in told
        code, told = heatgated("--config", site.dir, "--check")
        assert code == 2, told
        for args in ((), ("--check",), ("--bogus",), ("--config",),
                     ("--config", "a", "b")):
            code, told = heatgated(*args)
            assert code == 2 and told.strip(), (args, code)


def test_config__secrets_are_checked():
    with Site() as site:
        key = os.path.join(site.dir, "key")

        def trial(content, mode, expected, protocol="5"):
            with open(key, "w") as file:
                file.write(content)
            os.chmod(key, mode)
            config = {"broker": {"protocol": protocol}, "rooms": {"heron": {
                "usage_class": "private", "heater_kw": 6, "volume_m3": 8.5,
                "controller": {"kind": "lease", "key_file": key}}}}
            code, text = heatgated("--config", write(site, config), "--check")
            assert code == expected, (content, oct(mode), code, text)
            assert content.strip() == "" or content.strip() not in text
            return text
        trial("ab" * 32 + "\n", 0o600, 0)
        trial("ab" * 32, 0o600, 0)
        trial("ab" * 32 + "\n", 0o644, 2)
        trial("ab" * 32 + "\n", 0o640, 2)
        trial("ab" * 31 + "\n", 0o600, 2)
        trial("ab" * 33 + "\n", 0o600, 2)
        trial("xy" * 32 + "\n", 0o600, 2)
        trial("", 0o600, 2)
        # contract 7: a key with MQTT 3.1.1 is a configuration error
        trial("ab" * 32 + "\n", 0o600, 2, protocol="3.1.1")


def test_config__cleartext_beyond_loopback_must_be_allowed():
    with Site() as site:
        site.config["listen"]["address"] = "0.0.0.0"
        code, text = heatgated("--config", site.write_config(), "--check")
        assert code == 2 and "cleartext" in text, (code, text)
        site.config["listen"]["allow_cleartext"] = True
        code, text = heatgated("--config", site.write_config(), "--check")
        assert code == 0, text


def test_config__a_waived_commissioning_is_journalled_at_every_start():
    with Site() as site:
        site.config["rooms"]["heron"]["commissioning"] = {
            "waived": "trial run of the scenario"}
        site.start(sim_rooms=None)
        site.kill("gateway")
        site.start_gateway()
        waived = wait(lambda: (lambda r: len(r) >= 2 and r)(
            site.journal(kind="commissioning-waived", room="heron")), "both")
        assert all(r["note"] == "trial run of the scenario" for r in waived)


def test_config__required_commissioning_refuses_heat():
    with Site() as site:
        del site.config["rooms"]["heron"]["commissioning"]
        site.start(speed=10)
        site.check(site.owner, "heron")
        error = site.owner.refused("heat.start", room="heron", target_c=80,
                                   duration_min=60)
        assert error.reasons == {"not-commissioned"}, error


def test_config__a_room_that_is_gone_from_it_is_gone():
    with Site() as site:
        site.start(speed=10)
        client = guest(site, ["heron", "otter"])
        site.owner.call("lockout.set", room="otter", lockout="locked-out",
                        note="trial")
        site.kill("gateway")
        otter = site.config["rooms"].pop("otter")
        site.start_gateway()
        again = site.client(client.issued["code"])
        assert again.who["rooms"] == ["heron"]
        assert again.refused("room.state", room="otter").code == 1004
        # and comes back with its lockout
        site.kill("gateway")
        site.config["rooms"]["otter"] = otter
        site.start_gateway()
        state = site.admin().call("room.state", room="otter")
        assert state["lockouts"] == ["locked-out"], state["lockouts"]
