"""The command for people against the real service: what it prints, what it
exits with, and that what it says is so."""
import json
import os
import pty
import re
import select
import signal
import subprocess
import time

from harness import BIN, SLOW, InVain, Site, wait

HEATGATE = os.path.join(BIN, "heatgate")


def run(site, *args, env=None, ok=True, stdin=None):
    """(status, stdout, stderr) of heatgate, not on a terminal."""
    full = dict(os.environ, HEATGATE_SOCKET=site.config["admin_socket"])
    full.pop("TZ", None)
    full.update(env or {})
    done = subprocess.run([HEATGATE, *args], env=full, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          stdin=stdin or subprocess.DEVNULL,
                          timeout=60 * SLOW)
    if ok:
        assert done.returncode == 0, (args, done)
    assert "\033" not in done.stdout + done.stderr, "colour in a pipe"
    return done.returncode, done.stdout, done.stderr


def document(site, *args, status=0, env=None):
    """The one JSON document that stdout must be."""
    got, out, err = run(site, *args, ok=False, env=env)
    assert got == status, (args, got, out, err)
    assert out.endswith("\n") and out.count("\n") == 1, out
    return json.loads(out)


class Terminal:
    """heatgate on a terminal of 80 columns."""

    def __init__(self, site, *args):
        self.text = ""
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.environ.update(HEATGATE_SOCKET=site.config["admin_socket"],
                              TERM="xterm")
            os.execv(HEATGATE, [HEATGATE, *args])

    def read(self):
        if select.select([self.fd], [], [], 0.05)[0]:
            try:
                self.text += os.read(self.fd, 65536).decode()
            except OSError:
                return False
        return True

    def see(self, words, seconds=20):
        end = time.monotonic() + seconds * SLOW
        while words not in self.text:
            if not self.read() or time.monotonic() > end:
                raise InVain(f"not seen: {words!r} in {self.text!r}")
        self.text = self.text[self.text.index(words) + len(words):]

    def type(self, text):
        os.write(self.fd, text.encode())

    def end(self, seconds=20):
        end = time.monotonic() + seconds * SLOW
        while self.read():
            if time.monotonic() > end:
                os.kill(self.pid, signal.SIGKILL)
                raise InVain(f"it did not end: {self.text!r}")
        os.close(self.fd)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


def test_cli__check_heat_change_stop():
    with Site() as site:
        site.start(speed=10)
        status, out, err = run(site, "heat", "heron", "--target", "80",
                               "--for", "1h", ok=False)
        assert status == 1 and not out, (status, out)
        lines = err.splitlines()
        assert lines[0].endswith("refused for 1 reason:"), err
        assert re.match(r"  check-missing: .*\. .*\.$", lines[1]), err
        error = document(site, "heat", "heron", "--target", "80", "--for",
                         "1h", "--json", status=1)["error"]
        assert error["code"] == 1001, error
        assert [r["code"] for r in error["data"]["reasons"]] == \
            ["check-missing"], error

        # nobody looked in: not signed, and the journal knows of no check
        status, out, err = run(site, "check", "heron", "--agree-all",
                               "--wait", "0", ok=False)
        assert status == 1 and "check-missing" in err, err
        status, out, err = run(site, "check", "heron", ok=False)
        assert status == 2 and "--agree-all" in err, err
        assert not site.journal(kind="check-signed")

        # it waits for the look-in
        waiting = subprocess.Popen(
            [HEATGATE, "check", "heron", "--agree-all", "--socket",
             site.config["admin_socket"]], stdout=subprocess.PIPE, text=True)
        assert "look in" in waiting.stdout.readline()
        site.sim.look_in("heron")
        out = waiting.communicate(timeout=30 * SLOW)[0]
        assert waiting.returncode == 0, out
        assert "the door is open" in out and "the look-in was seen" in out
        assert "you vouch" in out and "Nobody is inside" in out
        assert "is signed" in out
        assert site.journal(kind="check-signed")

        run(site, "heat", "heron", "--preview", "--target", "80")
        out = run(site, "heat", "heron", "--target", "80", "--for", "1h30m")[1]
        assert "heron: heating to 80 C until" in out, out
        assert "Caution" not in out, "only on a terminal"
        site.sim.wait_on("heron")
        granted = site.journal(kind="heat-granted")[-1]
        assert granted["duration_min"] == 90, granted
        assert granted["target_c"] == 80, granted
        run(site, "watch", "heron", "--until", "heating")
        assert document(site, "heat", "heron", "--change", "--for", "2h",
                        "--json")["room"] == "heron"
        status, out, err = run(site, "heat", "heron", "--preview",
                               "--target", "80", ok=False)
        assert status == 1 and "already-heating" in out, out
        out = run(site, "stop", "--all")[1]
        assert out == "heron: stopped.\notter: stopped.\n", out
        site.sim.wait_off("heron")
        assert document(site, "--json", "stop", "--all") == \
            {"stopped": ["heron", "otter"], "failed": []}


def test_cli__asks_a_person_at_a_terminal():
    with Site() as site:
        site.start(speed=10)
        # a "no" signs nothing
        site.sim.look_in("heron")
        terminal = Terminal(site, "check", "heron")
        terminal.see("Is it so? [y/n] ")
        terminal.type("n\n")
        assert terminal.end() == 1
        assert "not signed" in terminal.text, terminal.text
        terminal = Terminal(site, "check", "heron")
        for _ in range(4):
            terminal.see("Is it so? [y/n] ")
            terminal.type("y\n")
        terminal.see("is signed")
        assert terminal.end() == 0
        terminal = Terminal(site, "heat", "heron", "--target", "80", "--for",
                            "1h")
        terminal.see("Caution: remote operation may be restricted")
        terminal.see("heron: heating to 80 C")
        assert terminal.end() == 0
        terminal = Terminal(site, "watch", "heron")
        terminal.see("heron heating")
        terminal.see("/80 C [")
        terminal.see("door closed, ready in ")
        os.kill(terminal.pid, signal.SIGINT)
        assert terminal.end() == 0, "Ctrl-C is the way to end it"
        for line in terminal.text.split("\r"):
            assert len(line.rstrip("\n")) <= 80, line


def unplan(site):
    """A plan is changed once a second at most: asked again until done."""
    wait(lambda: run(site, "heat", "heron", "--unplan", ok=False)[0] == 0,
         "the plan to be dropped")


def test_cli__plans_and_drops_a_plan():
    with Site() as site:
        site.start()
        site.check(site.owner, "heron")
        args = ("heat", "heron", "--target", "70", "--for", "90m",
                "--ready-by")
        out = run(site, *args, time.strftime(
            "%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 36000)))[1]
        assert "heron: planned" in out and "AT RISK" not in out, out
        state = document(site, "watch", "heron", "--once", "--json")
        assert state["phase"] == "planned", state
        assert state["plan"]["target_c"] == 70, state
        assert "70 C at" in run(site, "rooms")[1]
        unplan(site)
        assert document(site, "watch", "heron", "--once",
                        "--json")["plan"] is None
        # HH:MM is the next one, in the local zone
        soon = time.gmtime(time.time() + 39600)
        wait(lambda: run(site, *args, time.strftime("%H:%M", soon), ok=False,
                         env={"TZ": "UTC"})[0] == 0, "the second plan")
        plan = document(site, "watch", "heron", "--once", "--json")["plan"]
        assert plan["ready_at"] == time.strftime("%Y-%m-%dT%H:%M:00Z", soon)
        unplan(site)
        wait(lambda: "no plan" in run(site, "heat", "heron", "--unplan",
                                      ok=False)[2], "that there is no plan")


def test_cli__codes_are_shown_once_and_work():
    with Site() as site:
        site.start(sim_rooms=())
        days = [time.strftime("%Y-%m-%d", time.gmtime(
            time.time() + 86400 * n)) for n in (-2, 5)]
        stay = f"{days[0]}T15:00/{days[1]}T11:00"
        args = ("guest", "issue", "--room", "heron", "--stay", stay)
        if not site.journal(kind="gateway-started")[-1].get("timezone"):
            status, _, err = run(site, *args, ok=False)
            assert status == 2 and "without offset" in err, err
        made = document(site, *args, "--label", "first party", "--json",
                        env={"TZ": "UTC"})
        assert made["from"] == days[0] + "T15:00:00Z", made
        assert made["until"] == days[1] + "T11:00:00Z", made
        guest = site.client(made["code"])
        assert guest.who["rooms"] == ["heron"]

        out = run(site, "guest", "rotate", "--room", "heron", "--stay",
                  f"{days[0]}T15:00+01:00/{days[1]}T11:00:00Z")[1]
        assert "will not be shown again" in out and made["id"] in out, out
        code = re.search(r"code +(\S+)", out).group(1)
        guest.wait_closed()
        assert site.client(code).who["rooms"] == ["heron"]
        out = run(site, "guest", "list", "--room", "heron")[1]
        assert code not in out and made["code"] not in out
        states = {line.split()[0]: line.split()[1]
                  for line in out.splitlines()[1:]}
        assert states[made["id"]] == "ended", out
        live = [g for g in states if states[g] == "live"]
        assert len(live) == 1, out
        run(site, "guest", "revoke", live[0])
        status, _, err = run(site, "guest", "revoke", live[0], ok=False)
        assert status == 1 and "no live code" in err, err

        staff = document(site, "staff", "issue", "--role", "integrator",
                         "--all-rooms", "--json")
        assert staff["token"] and staff["rooms"] == "*", staff
        assert site.client(token=staff["token"]).who["role"] == "integrator"
        out = run(site, "staff", "list")[1]
        assert "integrator" in out and staff["token"] not in out
        run(site, "staff", "revoke", staff["id"])


def test_cli__locks_and_clears_with_a_note():
    with Site() as site:
        site.config["rooms"]["heron"]["outputs"] = {"light": True}
        site.start()
        assert "the light is switched on" in run(
            site, "output", "heron", "light", "on")[1]
        assert "light on" in run(site, "rooms")[1]
        status, _, err = run(site, "output", "heron", "fan", "on", ok=False)
        assert status == 1 and "no fan" in err, err
        assert run(site, "lockout", "set", "heron", "--note", " ",
                   ok=False)[0] == 2
        out = run(site, "lockout", "set", "heron", "--note", "loose bench")[1]
        assert "locked-out" in out, out
        assert "locked: locked-out" in run(site, "rooms")[1]
        assert site.journal(kind="lockout-set")[-1]["note"] == "loose bench"
        doctor = document(site, "doctor", "--json", "--state-dir", site.dir)
        assert any(c["what"] == "heron" and "locked-out" in c["text"]
                   for c in doctor["checks"]), doctor
        run(site, "lockout", "clear", "heron", "--note", "mended")
        status, _, err = run(site, "lockout", "clear", "heron", "--note",
                             "again", ok=False)
        assert status == 1 and "no lockout" in err, err


def test_cli__journal_is_shown_exported_and_proved():
    with Site() as site:
        site.start()
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        for i in range(30):
            run_note = f"round {i} \u00e9 \"quoted\" \\ / \u20ac"
            site.owner.call("lockout.set", room="otter", note=run_note)
            site.owner.call("lockout.clear", room="otter",
                            lockout="locked-out", note=run_note)
        out = run(site, "journal", "show", "--limit", "5")[1]
        assert len(out.splitlines()) == 5 and "lockout-cleared" in out, out
        records = document(site, "journal", "show", "--room", "heron",
                           "--json")["records"]
        assert {r["room"] for r in records} == {"heron"}
        assert "heat-granted" in {r["kind"] for r in records}
        first = document(site, "journal", "show", "--after", "0", "--limit",
                         "2", "--json")["records"]
        assert [r["n"] for r in first] == [1, 2], first

        # as stored: the same bytes
        head = os.path.join(site.dir, "head.json")
        export = os.path.join(site.dir, "export.jsonl")
        run(site, "journal", "head", "--out", head)
        run(site, "journal", "export", "--out", export)
        assert os.stat(export).st_mode & 0o777 == 0o600
        folder = os.path.join(site.config["state_dir"], "journal")
        stored = b""
        for name in sorted(os.listdir(folder)):
            if name.endswith(".jsonl"):
                with open(os.path.join(folder, name), "rb") as file:
                    stored += file.read()
        with open(export, "rb") as file:
            exported = file.read()
        assert exported and stored.startswith(exported)
        assert run(site, "journal", "export")[1].encode()[:200] == \
            exported[:200]
        assert run(site, "journal", "export", "--out",
                   os.path.join(site.dir, "no", "where"), ok=False)[0] == 1

        # --follow sees what comes
        follower = subprocess.Popen(
            [HEATGATE, "journal", "show", "--follow", "--limit", "1",
             "--socket", site.config["admin_socket"]],
            stdout=subprocess.PIPE, text=True)
        follower.stdout.readline()
        site.owner.call("heat.stop", room="heron")
        while "heat-ended" not in follower.stdout.readline():
            pass
        follower.send_signal(signal.SIGINT)
        assert follower.wait(20 * SLOW) == 0

        # offline, against the head kept elsewhere
        site.kill("gateway")
        report = document(site, "journal", "verify", folder, "--head", head,
                          "--json")
        assert report["head_checked"] and report["records"] > 60, report
        path = os.path.join(folder, sorted(
            n for n in os.listdir(folder) if n.endswith(".jsonl"))[0])
        with open(path, "r+b") as file:
            text = file.read().replace(b"heat-granted", b"heat-grantes")
            file.seek(0)
            file.write(text)
        status, _, err = run(site, "journal", "verify", folder, ok=False)
        assert status == 1 and os.path.basename(path) in err, err
        assert "error" in document(site, "journal", "verify", folder,
                                   "--json", status=1)


def test_cli__doctor_finds_what_is_broken():
    with Site() as site:
        site.start()
        state = site.config["state_dir"]
        status, out, err = run(site, "doctor", "--state-dir", state)
        assert "fail" not in [line.split()[0] for line in out.splitlines()
                              if line[0] != " "], out
        assert "warn heron: commissioning is waived" in out, out
        assert "ok   version: heatgated 0.1.0" in out, out
        assert all(len(line) <= 80 for line in out.splitlines()), out
        site.kill("broker")
        wait(lambda: "broker-down" in site.admin().call(
            "room.state", room="heron")["reasons"], "the broker to be missed")
        doctor = document(site, "doctor", "--json", "--state-dir", state,
                          status=1)
        assert not doctor["ok"]
        failed = {c["what"]: c for c in doctor["checks"]
                  if c["level"] == "fail"}
        assert "broker-down" in failed["broker"]["text"], failed
        assert failed["broker"]["remedy"], failed
        site.kill("gateway")
        status, out, _ = run(site, "doctor", "--state-dir", state, ok=False)
        assert status == 3 and out.startswith("fail service:"), out


def test_cli__says_when_there_is_no_service_or_no_sense():
    with Site() as site:
        status, out, err = run(site, "rooms", ok=False)
        assert status == 3 and not out and "there is no service" in err, err
        for args in (("rooms", "--json"), ("--json", "rooms")):
            error = document(site, *args, status=3)["error"]
            assert error["code"] == 1006, error
        for args in ((), ("hat",), ("heat",), ("heat", "heron"),
                     ("guest",), ("rooms", "x"), ("rooms", "--room", "x"),
                     ("watch", "heron", "--until", "hot"),
                     ("heat", "heron", "--target", "hot", "--for", "1h"),
                     ("heat", "heron", "--target", "80", "--for", "90s"),
                     ("heat", "heron", "--target", "80", "--for", "1h",
                      "--ready-by", "25:00"),
                     ("heat", "heron", "--change"), ("stop",),
                     ("stop", "heron", "--all"),
                     ("guest", "issue", "--room", "heron"),
                     ("guest", "issue", "--room", "heron", "--stay",
                      "2026-12-07T11:00Z/2026-12-04T15:00Z"),
                     ("journal", "export", "--json")):
            status, out, err = run(site, *args, ok=False)
            assert status == 2, (args, status, err)
            assert out == "" or "--json" in args, (args, out)
            assert "error" in document(site, "--json", *args, status=2)
        for args in (("--help",), ("--version",), ("help", "heat"),
                     ("help", "guest"), ("heat", "--help")):
            out = run(site, *args)[1]
            assert out and all(len(line) <= 80 for line in
                               out.splitlines()), out
        site.start(sim_rooms=())
        status, _, err = run(site, "watch", "nowhere", "--once", ok=False)
        assert status == 1, err
        full = subprocess.run(
            [HEATGATE, "rooms", "--socket", site.config["admin_socket"]],
            stdout=open("/dev/full", "w"), stderr=subprocess.PIPE, text=True)
        assert full.returncode == 1 and "No space" in full.stderr, full


def test_cli__check_takes_the_code_posted_in_the_room():
    rooms = {"heron": Site.room(check_evidence="place-code")}
    with Site(rooms=rooms) as site:
        path = os.path.join(site.dir, "place-code")
        with open(path, "w") as file:
            file.write("RAVEN-4711\n")
        os.chmod(path, 0o600)
        rooms["heron"]["place_code_file"] = path
        site.start(sim_rooms=("heron",))
        status, _, err = run(site, "check", "heron", "--agree-all", ok=False)
        assert status == 2 and "--place-code" in err, err
        status, _, err = run(site, "check", "heron", "--agree-all",
                             "--place-code", "RAVEN-4712", ok=False)
        assert status == 1 and "check-missing" in err, err
        terminal = Terminal(site, "check", "heron", "--agree-all")
        terminal.see("Code posted in the room: ")
        terminal.type("raven-4711\n")
        terminal.see("is signed")
        assert terminal.end() == 0
