"""Reports: who heated when, how much energy, what it cost, and its course."""
import csv
import html.parser
import io
import json
import os
import signal
import subprocess
import time

from harness import BIN, Site, rfc3339, wait

# 60 kW: in the seconds a scenario has, a whole watt-hour is 0.1 % of a heat
BIG = {"heater_kw": 60, "volume_m3": 120}
BIG_SIM = "heron:kw=60,m3=120"


def energy(site, **params):
    params.setdefault("from", rfc3339(-3600))
    params.setdefault("until", rfc3339(3600))
    return site.owner.call("report.energy", room="heron", **params)


def one_heat(site, seconds):
    """Heat for about so long; (heat_id, true Wh, recorded Wh)."""
    site.check(site.owner, "heron")
    before = site.sim.truth("heron")["energy_true_wh"]
    heat_id = site.heat(site.owner, "heron", target_c=90)["heat_id"]
    site.sim.wait_on("heron")
    end = time.monotonic() + seconds
    wait(lambda: time.monotonic() > end, "the heat to go on", seconds + 5)
    site.owner.call("heat.stop", room="heron")
    site.sim.wait_off("heron")
    record = wait(lambda: site.journal(kind="heat-ended", heat_id=heat_id),
                  "the record")[0]
    return (heat_id, site.sim.truth("heron")["energy_true_wh"] - before,
            record["energy_wh"])


def within_a_hundredth(faults):
    with Site(rooms={"heron": Site.room(**BIG)}) as site:
        site.start(sim_rooms=(BIG_SIM,), period_ms=100)
        for fault in faults:
            site.sim.do("heron fault " + fault)
        for seconds in (12, 9):
            heat_id, true_wh, wh = one_heat(site, seconds)
            assert true_wh > 100, true_wh
            assert abs(wh - true_wh) <= true_wh / 100, (faults, wh, true_wh)


def test_report__energy_of_a_meter_is_right_within_a_hundredth():
    within_a_hundredth([])


def test_report__energy_of_power_alone_is_right_within_a_hundredth():
    within_a_hundredth(["no-meter"])


def test_report__energy_of_on_time_alone_is_right_within_a_hundredth():
    within_a_hundredth(["no-meter", "no-power"])


def test_report__energy_costs_and_sums():
    with Site(rooms={"heron": Site.room(**BIG),
                     "otter": Site.room(usage_class="semi-public")},
              price_per_kwh=0.25, currency="EUR",
              timezone="Europe/Helsinki") as site:
        site.start(sim_rooms=(BIG_SIM, "otter"), period_ms=100)
        guest = site.owner.call("guest.issue", rooms=["heron"],
                                until=rfc3339(7200), **{"from": rfc3339(-60)})
        first, _, first_wh = one_heat(site, 2)
        client = site.client(code=guest["code"])
        site.check(client, "heron")
        second = site.heat(client, "heron")["heat_id"]
        site.sim.wait_on("heron")

        running = energy(site)
        assert running["room"] == "heron" and running["currency"] == "EUR"
        assert [h["heat_id"] for h in running["heats"]] == [first, second]
        assert running["heats"][1]["ended_at"] is None
        client.call("heat.stop", room="heron")
        wait(lambda: site.journal(kind="heat-ended", heat_id=second),
             "the record")
        report = wait(lambda: (lambda r: r["heats"][1]["ended_at"] and r)(
            energy(site)), "the second heat to be over")
        one, two = report["heats"]
        assert one["by"].startswith("owner:") and one["end"] == "stopped"
        assert two["by"] == "guest:" + guest["id"]
        assert one["energy_wh"] == first_wh
        assert abs(one["kwh"] - first_wh / 1000) < 1e-9
        assert abs(one["cost"] - 0.25 * first_wh / 1000) < 1e-4
        total = report["total"]
        assert total["heats"] == 2
        assert total["energy_wh"] == one["energy_wh"] + two["energy_wh"]
        assert abs(total["cost"] - 0.25 * total["energy_wh"] / 1000) < 1e-4
        assert {s["by"] for s in report["by"]} == {one["by"], two["by"]}
        assert sum(s["energy_wh"] for s in report["months"]) == \
            total["energy_wh"]
        assert energy(site, until=rfc3339(-60))["heats"] == []
        other = site.owner.call("report.energy", room="otter",
                                until=rfc3339(60), **{"from": rfc3339(-60)})
        assert other["heats"] == [] and other["total"]["energy_wh"] == 0
        error = site.owner.refused("report.energy", room="heron",
                                   until=rfc3339(-60),
                                   **{"from": rfc3339(60)})
        assert error.code == -32602, error
        assert client.refused("report.energy", room="heron",
                              until=rfc3339(60),
                              **{"from": rfc3339(-60)}).code == 1003


def test_report__course_of_a_heat_and_who_may_see_it():
    with Site(price_per_kwh=0.25, currency="EUR") as site:
        site.start(speed=10)
        codes = [site.owner.call("guest.issue", rooms=["heron"],
                                 until=rfc3339(7200),
                                 **{"from": rfc3339(-60)}) for _ in range(2)]
        mine, others = [site.client(code=c["code"]) for c in codes]
        site.check(mine, "heron")
        heat_id = site.heat(mine, "heron")["heat_id"]
        site.sim.wait_on("heron")
        running = mine.call("report.heat", heat_id=heat_id)
        assert running["ended_at"] is None and running["room"] == "heron"
        mine.watch("heron")
        wait(lambda: [s for s in mine.call("report.heat", heat_id=heat_id)
                      ["samples"] if s[6]], "a sample with the forecast")
        site.sim.do("heron door open")
        mine.see("heron", lambda s: s["phase"] == "holding", "holding")
        site.sim.do("heron door close")
        mine.see("heron", lambda s: s["phase"] == "heating", "resumed")
        mine.call("heat.stop", room="heron")
        done = wait(lambda: (lambda r: r["ended_at"] and r)(
            mine.call("report.heat", heat_id=heat_id)), "the end")
        assert done["end"] == "stopped"
        assert done["by"] == "guest:" + codes[0]["id"]
        columns = done["columns"]
        samples = [dict(zip(columns, s)) for s in done["samples"]]
        assert samples[0]["t_s"] == 0 and samples[0]["target_c"] == 80
        assert any(s["door_open"] and not s["permit"] for s in samples), \
            samples
        assert any(not s["door_open"] and s["permit"] for s in samples)
        assert samples[-1]["permit"] == 0
        assert any(s["low_s"] and s["low_s"] <= s["ready_s"] <= s["high_s"]
                   for s in samples), samples
        assert done["energy_wh"] == \
            site.journal(kind="heat-ended")[0]["energy_wh"]
        path = os.path.join(site.config["state_dir"], "heats",
                            heat_id + ".json")
        wait(lambda: os.path.exists(path), "the kept course")
        assert os.stat(path).st_mode & 0o777 == 0o600
        assert others.refused("report.heat", heat_id=heat_id).code == 1004
        assert site.owner.call("report.heat",
                               heat_id=heat_id)["samples"] == done["samples"]
        for bad in ("h-0000000000000000", "../../etc/passwd", "h-" + "g" * 16,
                    "h-" + "0" * 60):
            assert site.owner.refused("report.heat", heat_id=bad).code == 1004


def test_report__course_survives_a_stop_and_a_kill():
    with Site() as site:
        site.start(speed=10)
        site.check(site.owner, "heron")
        heat_id = site.heat(site.owner, "heron")["heat_id"]
        site.sim.wait_on("heron")
        site.kill("gateway")
        path = os.path.join(site.config["state_dir"], "heats",
                            heat_id + ".json")
        with open(path) as file:
            kept = json.load(file)
        assert kept["end"] == "gateway-restart" and kept["ended_at"]
        # as a sudden stop leaves it: the last minute's trace, without an end
        kept["ended_at"] = kept["end"] = None
        with open(path, "w") as file:
            json.dump(kept, file)
        site.start_gateway()
        owner = site.admin()
        owner.watch("heron")
        owner.see("heron", lambda s: s["fresh"], "fresh telemetry")
        site.owner = owner
        site.check(owner, "heron")
        second = site.heat(owner, "heron")["heat_id"]
        site.sim.wait_on("heron")
        site.kill("gateway", signal.SIGKILL)
        site.start_gateway()
        owner = site.admin()
        rows = owner.call("report.energy", room="heron", until=rfc3339(60),
                          **{"from": rfc3339(-600)})["heats"]
        assert [r["heat_id"] for r in rows] == [heat_id, second], rows
        assert all(r["end"] == "gateway-restart" for r in rows), rows
        # the second never reached its first minute: a row, and no course
        assert owner.refused("report.heat", heat_id=second).code == 1004


def cli(site, *args, status=0):
    done = subprocess.run([os.path.join(BIN, "heatgate"), "--socket",
                           site.config["admin_socket"], *args],
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          text=True, stdin=subprocess.DEVNULL, timeout=60)
    assert done.returncode == status, (args, done.stdout, done.stderr)
    return done.stdout if status == 0 else done.stderr


class Page(html.parser.HTMLParser):
    """Every tag closed, and nothing that would be loaded."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.text = [], [], ""
        self.feed(text)
        assert not self.open, self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        assert tag not in ("script", "img", "link", "iframe"), tag
        assert not {"src", "href", "onload"} & {n for n, _ in attrs}, attrs
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, tag

    def handle_data(self, data):
        self.text += data


def test_report__verbs_give_text_csv_json_and_a_page():
    with Site(price_per_kwh=0.3, currency="EUR",
              timezone="Europe/Helsinki") as site:
        site.start(speed=10)
        heat_id, _, _ = one_heat(site, 3)
        course = wait(lambda: (lambda r: r["ended_at"] and r)(
            site.owner.call("report.heat", heat_id=heat_id)), "the end")

        text = cli(site, "report", "energy")
        assert heat_id in text and "EUR" in text and "otter" in text, text
        month = time.strftime("%Y-%m")
        report = json.loads(cli(site, "report", "energy", "--room", "heron",
                                "--month", month, "--json"))
        assert [r["room"] for r in report["rooms"]] == ["heron"]
        assert report["total"]["heats"] == 1
        assert report["rooms"][0]["months"][0]["energy_wh"] == \
            report["total"]["energy_wh"] == course["energy_wh"]
        rows = list(csv.DictReader(io.StringIO(
            cli(site, "report", "energy", "--csv"), newline="")))
        assert len(rows) == 1 and rows[0]["heat_id"] == heat_id
        assert abs(float(rows[0]["kwh"]) - course["energy_wh"] / 1000) < 5e-4
        assert abs(float(rows[0]["cost"]) -
                   0.3 * course["energy_wh"] / 1000) < 1e-4
        assert json.loads(cli(site, "report", "energy", "--month", "2020-01",
                              "--json"))["total"]["heats"] == 0
        for wrong in (("--month", "2020-13"), ("--until", "2026-01-01"),
                      ("--month", "2020-01", "--from", "2020-01-01"),
                      ("--from", "yesterday"), ("--csv", "--json"),
                      ("--from", "2026-02-01", "--until", "2026-01-01")):
            cli(site, "report", "energy", *wrong, status=2)
        cli(site, "report", "energy", "--room", "nest", status=1)

        text = cli(site, "report", "heat", heat_id)
        assert "stopped" in text and "kWh" in text and "EUR" in text, text
        rows = list(csv.DictReader(io.StringIO(
            cli(site, "report", "heat", heat_id, "--csv"), newline="")))
        assert len(rows) == len(course["samples"])
        assert rows[0]["target_c"] == "90.0"
        path = os.path.join(site.dir, "heat.html")
        cli(site, "report", "heat", heat_id, "--html", path)
        assert os.stat(path).st_mode & 0o777 == 0o600
        with open(path) as file:
            page = Page(file.read())
        assert heat_id in page.text and "EUR" in page.text
        kinds = [a.get("class") for t, a in page.tags]
        for kind in ("air", "target", "permit"):  # beside those of the key
            assert kinds.count(kind) >= 2, (kind, kinds)
        assert "Expected ready" in page.text, page.text
        assert "400 days" in cli(site, "report", "heat",
                                 "h-0000000000000000", status=1)
        cli(site, "report", "heat", heat_id, "--html", "/nonexistent/x.html",
            status=1)
        cli(site, "report", "heat", heat_id, "--csv", "--json", status=2)
