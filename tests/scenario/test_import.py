"""guest import: codes follow a booking calendar (RFC 5545)."""
import json
import os
import subprocess
import time
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from harness import BIN, Site, rfc3339, wait

ZONE = ZoneInfo("Europe/Helsinki")


def cli(site, *args, status=0):
    done = subprocess.run([os.path.join(BIN, "heatgate"), "--socket",
                           site.config["admin_socket"], *args],
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          text=True, stdin=subprocess.DEVNULL, timeout=60)
    assert done.returncode == status, (args, done.stdout, done.stderr)
    return done.stdout if status == 0 else done.stderr + done.stdout


def day(offset):
    return (datetime.now(ZONE) + timedelta(days=offset)).date()


def night(uid, first, last, *more):
    return ["BEGIN:VEVENT", f"UID:{uid}@example.org",
            f"DTSTART;VALUE=DATE:{day(first):%Y%m%d}",
            f"DTEND;VALUE=DATE:{day(last):%Y%m%d}",
            "SUMMARY:Maria Invented, +358 00 000", *more, "END:VEVENT"]


def calendar(site, *events):
    calendar.number += 1
    path = os.path.join(site.dir, f"stays-{calendar.number}.ics")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN"]
    for event in events:
        lines += event
    with open(path, "w", newline="") as file:
        file.write("\r\n".join(lines + ["END:VCALENDAR", ""]))
    return path


calendar.number = 0


def run(site, path, *args):
    result = json.loads(cli(site, "guest", "import", path, "--room", "heron",
                            "--json", *args))
    return result["stays"]


def at(date, hour):
    return int(datetime(date.year, date.month, date.day, hour,
                        tzinfo=ZONE).timestamp())


def seconds(text):
    return int(datetime.fromisoformat(text.replace("Z", "+00:00"))
               .timestamp())


def site_of(**config):
    return Site(timezone="Europe/Helsinki", check_in="16:00",
                check_out="10:00", **config)


def test_import__codes_follow_the_calendar():
    with site_of() as site:
        site.start(sim_rooms=())
        path = calendar(site, night("a", 3, 5), night("b", 7, 9),
                        night("past", -9, -7),
                        night("c", 12, 14, "STATUS:CANCELLED"))
        dry = run(site, path, "--dry-run")
        assert [s["action"] for s in dry] == ["issue", "issue", "cancelled"]
        assert not any("code" in s for s in dry)
        assert site.owner.call("guest.list")["guests"] == []

        first = run(site, path)
        assert [s["action"] for s in first] == ["issue", "issue",
                                                "cancelled"], first
        a, b = first[:2]
        assert a["code"] and b["code"] and a["code"] != b["code"]
        assert seconds(a["from"]) == at(day(3), 16)
        assert seconds(a["until"]) == at(day(5), 10)
        again = run(site, path)
        assert [s["action"] for s in again] == ["keep", "keep", "cancelled"]
        assert not any("code" in s for s in again)

        # b moved: the same code, another stay; d is new; a cancelled
        path = calendar(site, night("a", 3, 5, "STATUS:CANCELLED"),
                        night("b", 8, 11), night("d", 20, 21))
        third = {s["action"]: s for s in run(site, path)}
        assert set(third) == {"revoke", "move", "issue"}, third
        assert third["move"]["id"] == b["id"] and "code" not in third["move"]
        guests = {g["id"]: g for g in site.owner.call("guest.list")["guests"]}
        assert guests[a["id"]]["ended"] and not guests[b["id"]]["ended"]
        assert seconds(guests[b["id"]]["from"]) == at(day(8), 16)
        assert site.journal(kind="access-moved")[0]["id"] == b["id"]
        assert site.journal(kind="access-ended")[0]["id"] == a["id"]

        # b is not in the file any more: told, and ended only when asked
        path = calendar(site, night("d", 20, 21))
        assert [s["action"] for s in run(site, path)] == ["keep", "gone"]
        assert [s["action"] for s in run(site, path, "--prune")] == \
            ["keep", "prune"]
        # an empty file ends nothing by mistake
        cli(site, "guest", "import", calendar(site), "--room", "heron",
            "--prune", status=1)
        # ended by hand: left alone, until a new code is asked for
        path = calendar(site, night("d", 20, 21))
        cli(site, "guest", "revoke", third["issue"]["id"])
        after = run(site, path)
        assert [s["action"] for s in after] == ["ended"], after
        renewed = run(site, path, "--renew")
        assert [s["action"] for s in renewed] == ["issue"]
        assert renewed[0]["code"] and \
            renewed[0]["id"] != third["issue"]["id"]

        kept = ""
        for folder, _, names in os.walk(site.config["state_dir"]):
            for name in names:
                with open(os.path.join(folder, name),
                          errors="replace") as file:
                    kept += file.read()
        assert "Maria" not in kept and "example.org" not in kept
        site.verify()


def test_import__survives_a_restart_and_names_what_is_wrong():
    with site_of() as site:
        site.start(sim_rooms=())
        path = calendar(site, night("a", 3, 5))
        first = run(site, path)[0]
        site.kill("gateway")
        site.start_gateway()
        assert [(s["action"], s["id"]) for s in run(site, path)] == \
            [("keep", first["id"])]
        text = cli(site, "guest", "import", path, "--room", "heron")
        assert "keep" in text and first["id"] in text
        hourly = calendar(site, night("x", 1, 2), night(
            "y", 3, 4, "RRULE:FREQ=HOURLY"))
        said = cli(site, "guest", "import", hourly, "--room", "heron",
                   status=1)
        assert "event 2" in said and "more than once a day" in said, said
        path = calendar(site, night("a", 3, 5))
        assert [s["action"] for s in run(site, path)] == ["keep"]
        for wrong in (("/nonexistent.ics",), (site.dir,),
                      (site.write_config(),)):
            cli(site, "guest", "import", *wrong, "--room", "heron", status=1)
        cli(site, "guest", "import", path, status=2)
        cli(site, "guest", "import", path, "--room", "nest", status=1)


def test_import__a_stay_that_is_cut_ends_the_heat_it_does_not_cover():
    with Site() as site:
        site.start(speed=10)

        def issue(until):
            return site.owner.call("guest.issue", rooms=["heron"],
                                   until=rfc3339(until), uid="ab" * 32,
                                   **{"from": rfc3339(-60)})
        made = issue(7200)
        guest = site.client(code=made["code"])
        site.check(guest, "heron")
        site.heat(guest, "heron", duration_min=30)
        site.sim.wait_on("heron")
        moved = issue(3600)
        assert moved["moved"] and moved["id"] == made["id"] and \
            "code" not in moved
        assert site.owner.call("room.state", room="heron")["phase"] == \
            "heating"
        issue(600)
        site.sim.wait_off("heron")
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["end"] == "access-ended", "the end")
        assert guest.call("room.state", room="heron")["phase"] == "idle"
        error = site.owner.refused(
            "guest.issue", rooms=["otter"], until=rfc3339(600),
            uid="ab" * 32, **{"from": rfc3339(-60)})
        assert error.code == -32602, error
        assert site.owner.refused(
            "guest.issue", rooms=["heron"], until=rfc3339(600), uid="xyz",
            **{"from": rfc3339(-60)}).code == -32602
        site.owner.call("guest.issue", rooms=["heron"], until=rfc3339(7200),
                        uid="ab" * 32, **{"from": rfc3339(3600)})
        guest.wait_closed()
