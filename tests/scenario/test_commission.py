"""Commissioning: from a room that may not be heated to one that may, and
every wiring fault it has to find, with the real service, the command, and a
simulated room whose panel and door are moved as a person on site would."""
import base64
import hashlib
import json
import os
import re
import shutil
import struct
import subprocess
import time
import zlib

from harness import SLOW, Site, wait
from test_cli import HEATGATE, Terminal, document, run


def png(grey):
    """A small picture (PNG specification, third edition, section 5)."""
    def chunk(kind, data):
        return (struct.pack(">I", len(data)) + kind + data +
                struct.pack(">I", zlib.crc32(kind + data)))
    rows = b"".join(b"\0" + os.urandom(200) for _ in range(200))
    return (b"\x89PNG\r\n\x1a\n" +
            chunk(b"IHDR", struct.pack(">IIBBBBB", 200, 200, 8, 0, 0, 0, 0)) +
            chunk(b"IDAT", zlib.compress(rows, 0)) +
            chunk(b"tEXt", b"Comment\0" + bytes([grey])) +
            chunk(b"IEND", b""))


NAMES = {"heater": "Invented 6 <kW> & \"stones\"", "controller": "Sim 1",
         "cable": "5 x 2.5 mm2", "electrician": "E. Lectrician"}


def site_with(**settings):
    room = Site.room(no_rise_min=5, stale_after_s=5, **settings)
    room.pop("commissioning")
    return Site(rooms={"heron": room})


def answers(site, **changes):
    """An answers file for the command, with two pictures."""
    photos = []
    for index in range(2):
        path = os.path.join(site.dir, f"block {index}.png")
        with open(path, "wb") as file:
            file.write(png(index + 65))
        photos.append({"path": path, "label": f"block <{index}>"})
    full = {"names": NAMES, "agree": True, "photos": photos,
            "thermometer_c": site.sim.truth("heron")["air_true_c"]}
    full.update(changes)
    path = os.path.join(site.dir, "answers.json")
    with open(path, "w") as file:
        json.dump(full, file)
    return path


class Walk:
    """heatgate commission with answers, its deeds done in the room."""

    def __init__(self, site, *args):
        self.site, self.lines = site, []
        self.process = subprocess.Popen(
            [HEATGATE, "commission", "heron", "--socket",
             site.config["admin_socket"], *args],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True)

    DEEDS = {"do: close-door": "heron door close",
             "do: open-door": "heron door open",
             "wait: start-heat": "heron local start",
             "wait: open-door": "heron door open",
             "wait: close-door": "heron door close"}

    def go(self, without=()):
        """(status, text); deeds whose line is in without are left undone."""
        for line in self.process.stdout:
            line = line.rstrip("\n")
            self.lines.append(line)
            if line in self.DEEDS and line not in without:
                self.site.sim.do(self.DEEDS[line])
            if line.startswith("do: "):
                self.process.stdin.write("\n")
                self.process.stdin.flush()
        self.process.stdin.close()
        return self.process.wait(60 * SLOW), "\n".join(self.lines)


def start_refused(site):
    return site.owner.refused("heat.start", room="heron", target_c=80,
                              duration_min=60).reasons


def digest(record):
    """Independent of the program: compact JSON, members sorted."""
    return hashlib.sha256(json.dumps(
        record, sort_keys=True, separators=(",", ":"),
        ensure_ascii=False).encode()).hexdigest()


def test_commission__from_refused_to_heated_and_handed_over():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        assert "not-commissioned" in start_refused(site)
        assert document(site, "handover", "heron", "--out", "/dev/null",
                        "--json", status=1)["error"]["code"] == 1001
        status, out, err = run(site, "commission", "heron", ok=False)
        assert status == 2 and "--answers" in err, err
        status, out, err = run(site, "commission", "heron", "--answers",
                               "/nonexistent", ok=False)
        assert status == 2, err
        status, text = Walk(site, "--answers", answers(site)).go()
        assert status == 0, text
        assert "you say open, the gateway reads open" in text, text
        site.sim.do("heron local stop")

        # the record: complete, with a digest that others can make
        record = site.journal(kind="commissioning-recorded")[-1]
        assert record["actor"].startswith("owner:"), record
        assert record["digest"] == digest(record["record"]), record
        assert record["digest"] in text, text
        inner = record["record"]
        assert inner["names"] == NAMES, inner
        steps = {s["step"]: s for s in inner["steps"]}
        assert len(steps) == 8 and \
            all(s["state"] == "passed" for s in steps.values()), steps
        assert steps["door"]["read"] == ["closed", "open", "closed"]
        assert 0 <= steps["cut"]["off_after_ms"] <= 5000, steps["cut"]
        assert steps["heat"]["air_to_c"] - steps["heat"]["air_from_c"] \
            >= 1.999, steps["heat"]
        assert abs(steps["sensor"]["air_c"] -
                   steps["sensor"]["thermometer_c"]) <= 3, steps["sensor"]
        assert inner["limits"]["target_max_c"] == 90, inner["limits"]
        assert "_mc" not in json.dumps(record), record
        assert len(inner["photos"]) == 2
        for index, photo in enumerate(inner["photos"]):
            with open(os.path.join(site.dir, f"block {index}.png"),
                      "rb") as file:
                data = file.read()
            assert photo["sha256"] == hashlib.sha256(data).hexdigest()
            stored = os.path.join(site.config["state_dir"], "photos",
                                  photo["sha256"] + ".png")
            with open(stored, "rb") as file:
                assert file.read() == data
            assert os.stat(stored).st_mode & 0o077 == 0
        commissioned = site.journal(kind="commissioned")[-1]
        assert commissioned["n"] > record["n"]
        assert commissioned["proof_at"] == steps["cut"]["at"]

        # the same way as every other start: a room check, then heat
        wait(lambda: start_refused(site) == {"check-missing"},
             "only a check to be missing")
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        # a door test under a permit would prove nothing
        refused = document(site, "commission", "heron", "--proof",
                           "--answers", answers(site), "--json", status=1)
        assert "remote-heat" in refused["error"]["message"], refused
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        run(site, "commission", "heron", "--abandon")
        handed_over(site, record)

        # a sudden end, and rooms.json lost: the journal knows
        site.kill("gateway", 9)
        os.unlink(os.path.join(site.config["state_dir"], "rooms.json"))
        site.start_gateway()
        site.owner = site.admin()
        site.owner.watch("heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        assert start_refused(site) <= {"check-missing", "check-void"}
        state = site.owner.call("commission.state", room="heron")
        assert state["commissioned"] and state["proof_at"] == \
            commissioned["proof_at"], state
        assert state["done"]["digest"] == record["digest"]
        site.verify()


def handed_over(site, record):
    out = os.path.join(site.dir, "sheet.html")
    told = document(site, "handover", "heron", "--out", out, "--json")
    assert told["digest"] == record["digest"] and told["photos"] == 2, told
    with open(out) as file:
        page = file.read()
    assert os.stat(out).st_mode & 0o077 == 0
    assert "Invented 6 &lt;kW&gt; &amp; &quot;stones&quot;" in page
    assert "<kW>" not in page and "block &lt;0&gt;" in page
    assert "<script" not in page and "http://" not in page and \
        "https://" not in page
    assert record["digest"] in page and "may be restricted" in page
    assert f"record {record['n']} of the" in page
    pictures = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    assert [hashlib.sha256(base64.b64decode(p, validate=True)).hexdigest()
            for p in pictures] == [p["sha256"]
                                   for p in record["record"]["photos"]]
    rendered(site, out)


def rendered(site, page):
    """Print it as a person would, where Debian's chromium is there."""
    if not shutil.which("chromium"):
        assert not os.environ.get("HG_CHROMIUM"), "chromium is not installed"
        return
    out = os.path.join(site.dir, "sheet.pdf")
    done = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu",
         "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync",
         f"--user-data-dir={site.dir}/chromium", "--no-pdf-header-footer",
         f"--print-to-pdf={out}", f"file://{page}"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=90 * SLOW)
    with open(out, "rb") as file:
        pdf = file.read()
    assert pdf.startswith(b"%PDF-"), done.stdout
    # both pictures are in it, in their size
    assert len(re.findall(rb"/Subtype\s*/Image", pdf)) >= 2, len(pdf)


def test_commission__names_swapped_door_wires():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        site.sim.do("heron fault door-swapped")
        status, text = Walk(site, "--answers", answers(site)).go()
        assert status == 1 and "door-swapped" in text, text
        assert "you say open, the gateway reads closed" in text, text
        assert "not-commissioned" in start_refused(site)
        # mended: it goes on with the step that failed
        site.sim.do("heron fault none")
        walk = Walk(site, "--answers", answers(site))
        status, text = walk.go()
        assert status == 0 and "going on with the record" in text, text
        assert "[names]" not in text, "what was done is kept"


def test_commission__a_welded_contactor_fails_the_door_test():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        walk = Walk(site, "--answers", answers(site))
        for line in walk.process.stdout:
            line = line.rstrip("\n")
            walk.lines.append(line)
            if line == "wait: open-door":
                site.sim.do("heron fault welded")
            if line in Walk.DEEDS:
                site.sim.do(Walk.DEEDS[line])
            if line.startswith("do: "):
                walk.process.stdin.write("\n")
                walk.process.stdin.flush()
        text = "\n".join(walk.lines)
        assert walk.process.wait(60 * SLOW) == 1, text
        assert "door-does-not-cut" in text and "breaker" in text, text
        locked = site.journal(kind="lockout-set")[-1]
        assert locked["why"] == "locked-out", locked
        assert "door-does-not-cut" in locked["note"], locked
        assert {"not-commissioned", "locked-out"} <= start_refused(site)
        assert not site.journal(kind="commissioned")


def test_commission__goes_on_after_a_restart():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        owner = site.owner
        state = owner.call("commission.begin", room="heron", names=NAMES)
        assert state["current"]["next"] == "placement", state
        assert owner.refused("commission.begin", room="heron").code == 1006
        unfinished = owner.refused("commission.finish", room="heron")
        assert unfinished.code == 1001 and unfinished.reasons, unfinished
        ids = [s["id"] for s in state["current"]["statements"]]
        state = owner.call("commission.step", room="heron",
                           step="placement", data={"agreed": ids[1:]})
        assert state["current"]["next"] == "placement"
        owner.call("commission.step", room="heron", step="placement",
                   data={"agreed": ids})
        early = owner.call("commission.step", room="heron", step="cut")
        assert [s["fault"]["code"] for s in early["current"]["steps"]
                if s["step"] == "cut"] == ["step-before"], early
        owner.call("commission.step", room="heron", step="door",
                   data={"say": "closed"})
        site.kill("gateway", 9)
        site.start_gateway()
        site.owner = owner = site.admin()
        state = owner.call("commission.state", room="heron")
        assert state["current"]["next"] == "door", state
        assert state["current"]["names"] == NAMES, state
        assert [s["fault"]["code"] for s in state["current"]["steps"]
                if s["step"] == "door"] == ["gateway-restarted"], state
        # pictures: only pictures, in order, and no more than announced
        bad = base64.b64encode(b"#!/bin/sh\necho").decode()
        for data, what in (
                ({"label": "x", "offset": 0, "of": 14, "base64": bad},
                 "neither"),
                ({"label": "x", "offset": 9, "of": 14, "base64": bad},
                 "offset"),
                ({"label": "x", "offset": 0, "of": 5, "base64": bad},
                 "announced"),
                ({"label": "", "offset": 0, "of": 14, "base64": bad},
                 "label"),
                ({"label": "x", "offset": 0, "of": 1 << 40, "base64": bad},
                 "bytes"),
                ({"label": "x", "offset": 0, "of": 14, "base64": "?"},
                 "base64")):
            error = owner.refused("commission.step", room="heron",
                                  step="photos", data=data)
            assert error.code == -32602 and what in error.message, error
        folder = os.path.join(site.config["state_dir"], "photos")
        assert os.listdir(folder) == [], os.listdir(folder)
        assert owner.refused("commission.state", room="heron",
                             photo="../rooms").code == 1004
        owner.call("commission.abandon", room="heron")
        assert owner.call("commission.state",
                          room="heron")["current"] is None
        # nobody but an owner on the admin socket
        manager = site.client(owner.call(
            "staff.issue", role="manager", rooms=["heron"])["code"])
        assert manager.refused("commission.state", room="heron").code == 1003
        # a file that does not read back is named, and stops nothing else
        kept = os.path.join(site.config["state_dir"], "commission",
                            "heron.json")
        with open(kept, "w") as file:
            file.write("{")
        age_proof(site, 400)
        error = site.owner.refused("commission.state", room="heron")
        assert error.code == 1006 and "move it away" in error.message, error
        assert "proof-overdue" in start_refused(site)


def test_commission__a_person_at_a_terminal_may_leave():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        terminal = Terminal(site, "commission", "heron")
        terminal.see("Remote operation may be")
        for wrong in ("\n", "   \n", "x" * 121 + "\n"):
            terminal.see("Heater (maker's name and type): ")
            terminal.type(wrong)
            terminal.see("1 to 120 bytes")
        for name in ("Heater", "Its controller", "Cross-section",
                     "Electrician"):
            terminal.see(name)
            terminal.type("invented\n")
        terminal.see("names: passed")
        terminal.see("Is it so? [y/n] ")
        terminal.type("n\n")
        for _ in range(5):
            terminal.see("Is it so? [y/n] ")
            terminal.type("y\n")
        terminal.see("FAILED, not-agreed")
        terminal.see("q: leave. ")
        terminal.type("q\n")
        assert terminal.end() == 1
        assert "what was done is kept" in terminal.text, terminal.text


def test_commission__wrong_answers_and_two_electricians_at_once():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        first, second = site.admin(), site.admin()
        first.call("commission.begin", room="heron", names=NAMES)
        assert second.refused("commission.begin", room="heron").code == 1006
        ids = [s["id"] for s in first.call(
            "commission.state", room="heron")["current"]["statements"]]
        second.call("commission.step", room="heron", step="placement",
                    data={"agreed": ids})
        # one picture at a time: who is overtaken begins anew, none is mixed
        pictures = [png(65), png(66)]
        halves = [[p[:20000], p[20000:]] for p in pictures]

        def send(client, index, half):
            return {"room": "heron", "step": "photos", "data": {
                "label": f"block {index}", "of": len(pictures[index]),
                "offset": 20000 * half, "base64": base64.b64encode(
                    halves[index][half]).decode()}}

        first.call("commission.step", **send(first, 0, 0))
        second.call("commission.step", **send(second, 1, 0))
        # both halves stand at one offset: the digest tells what came of it
        second.call("commission.step", **send(second, 1, 1))
        late = first.refused("commission.step", **send(first, 0, 1))
        assert late.code == -32602 and "beginning" in late.message, late
        for half in (0, 1):
            state = first.call("commission.step", **send(first, 0, half))
        assert {p["sha256"] for p in state["current"]["photos"]} == {
            hashlib.sha256(p).hexdigest() for p in pictures}, state
        first.call("commission.abandon", room="heron")

        # at the door a third one says the wrong thing: named, and repeated
        wrong = os.path.join(site.dir, "large.png")
        with open(wrong, "wb") as file:
            file.write(png(67))
            file.truncate((20 << 20) + 1)
        text = Walk(site, "--answers", answers(
            site, thermometer_c="warm")).go()
        assert text[0] == 2 and "thermometer_c" in text[1], text
        for path, why in ((wrong, "at most 20 MiB"), (site.dir, "not a file"),
                          (wrong + "?", "No such file")):
            state = Walk(site, "--answers", answers(
                site, photos=[{"path": path, "label": "x"}])).go()
            assert state[0] == 1 and why in state[1], state
        status, text = Walk(site, "--answers", answers(site)).go()
        assert status == 0, text
        record = site.journal(kind="commissioning-recorded")[-1]["record"]
        assert len(record["photos"]) == 2, record


def age_proof(site, days):
    """As if the door had been proved so many days ago."""
    site.kill("gateway")
    path = os.path.join(site.config["state_dir"], "rooms.json")
    with open(path) as file:
        kept = json.load(file)
    kept["rooms"]["heron"]["commissioned"] = True
    kept["rooms"]["heron"]["proof_at_ms"] = \
        int((time.time() - days * 86400) * 1000)
    with open(path, "w") as file:
        json.dump(kept, file)
    site.start_gateway()
    site.owner = site.admin()
    site.owner.watch("heron")
    site.owner.see("heron", lambda s: s["fresh"], "fresh")


def test_commission__proof_grows_overdue_and_is_renewed():
    with site_with(door_proof_days=20) as site:
        site.start(sim_rooms=["heron"], speed=20)
        assert site.owner.refused("commission.begin", room="heron",
                                  kind="proof").reasons == \
            {"not-commissioned"}
        age_proof(site, 10)
        assert "proof-overdue" not in start_refused(site)
        due = wait(lambda: site.observer.notices("heron", "proof-due"),
                   "the first notice")
        assert "14 days" in due[0]["text"], due
        # once each, over restarts too; kept within a second
        kept = os.path.join(site.config["state_dir"], "commission",
                            "heron.json")
        wait(lambda: os.path.exists(kept) and json.load(open(kept))["told"]
             ["stage"] == 1, "that it is kept that it was told")
        site.kill("gateway")
        site.start_gateway()
        site.owner = site.admin()
        seen = site.owner.call("room.state", room="heron")
        wait(lambda: site.owner.call("room.state", room="heron")["rev"] >
             seen["rev"] + 3, "some seconds of telemetry")
        assert len(site.observer.notices("heron", "proof-due")) == 1
        age_proof(site, 18)
        due = wait(lambda: site.observer.notices("heron", "proof-due")[1:],
                   "the second notice")
        assert "3 days" in due[0]["text"], due
        age_proof(site, 20)
        wait(lambda: site.observer.notices("heron", "proof-overdue"),
             "the last notice")
        assert "proof-overdue" in start_refused(site)

        # only the door test, and the room is itself again
        status, text = Walk(site, "--proof", "--answers",
                            answers(site)).go()
        assert status == 0, text
        assert "[cut]" in text and "[door]" not in text, text
        record = site.journal(kind="commissioning-recorded")[-1]["record"]
        assert record["kind"] == "proof", record
        assert record["names"] == {"electrician": NAMES["electrician"]}
        assert [s["step"] for s in record["steps"]] == ["cut"], record
        assert "proof-overdue" not in start_refused(site)


def test_commission__a_person_at_a_terminal_renews_the_proof():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        age_proof(site, 1)
        terminal = Terminal(site, "commission", "heron", "--proof")
        terminal.see("Who does the test (name, firm): ")
        terminal.type("E. Lectrician\n")
        terminal.see("Start the heater at its panel now.")
        site.sim.do("heron local start")
        terminal.see("Open the door now")
        site.sim.do("heron door open")
        terminal.see("Keep the door open for now.")
        site.sim.do("heron door close")
        terminal.see("FAILED, closed-early")
        terminal.see("q: leave. ")
        site.sim.wait_on("heron")
        terminal.type("\n")
        terminal.see("Open the door now")
        site.sim.do("heron door open")
        terminal.see("Close the door now.")
        site.sim.do("heron door close")
        terminal.see("cut: passed")
        terminal.see("recorded as number")
        assert terminal.end() == 0
        assert not site.journal(kind="lockout-set")
