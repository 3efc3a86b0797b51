#!/usr/bin/python3
"""A running gateway before peers that others wrote: its Thing Description
before a validator and a consumer, its metrics before three parsers.

    contracts.py things | metrics
"""
import json
import math
import os
import subprocess
import sys
import tempfile
import urllib.request

HERE = os.path.dirname(os.path.abspath(__file__))
NPM = os.path.join(HERE, "npm")
sys.path.insert(0, os.path.join(os.path.dirname(HERE), "scenario"))

from harness import Site, wait  # noqa: E402


def get(site, path):
    url = f"http://127.0.0.1:{site.port}{path}"
    with urllib.request.urlopen(url, timeout=20) as answer:
        return answer.headers, answer.read().decode()


def node(script, *args):
    return ["node", os.path.join(NPM, script), *args]


def consume(site, thing, token, who):
    """Run the consumer; look in and sign whenever it asks for it."""
    signed = 0
    with subprocess.Popen(node("consume-thing.js", thing, token), text=True,
                          stdin=subprocess.PIPE,
                          stdout=subprocess.PIPE) as consumer:
        for line in consumer.stdout:
            print("    " + line, end="")
            if line == "sign\n":
                # it was refused, not lost on the way
                wait(lambda: site.journal(kind="heat-refused", actor=who),
                     "the refusal to be recorded")
                site.check(site.owner, "heron")
                signed += 1
                consumer.stdin.write("signed\n")
                consumer.stdin.flush()
    assert consumer.returncode == 0, "the consumer failed"
    assert signed == 2, signed


def things():
    with Site() as site:
        site.start(speed=10)
        wait(lambda: site.observer.all("heatgate/v1/journal"), "a head")
        token = site.owner.call("staff.issue", role="integrator",
                                rooms=["heron"])
        path = os.path.join(site.dir, "thing.json")
        with open(path, "w") as file:
            file.write(get(site, "/.well-known/wot")[1])
        subprocess.run(node("check-thing.js", path), check=True)
        who = "integrator:" + token["id"]
        consume(site, path, token["token"], who)
        kinds = [r["kind"] for r in site.journal() if r["actor"] == who]
        for kind in ("heat-refused", "heat-granted", "heat-ended"):
            assert kind in kinds, (kind, kinds)


def promtool(args, text):
    done = subprocess.run(["promtool", *args], input=text, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    return done.returncode, done.stdout.strip()


def with_times(text):
    """promtool takes OpenMetrics into blocks, but only with timestamps."""
    return "".join(
        line + ("\n" if line.startswith("#") else " 1700000000\n")
        for line in text.splitlines())


def backfill(text):
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "metrics")
        with open(path, "w") as file:
            file.write(text)
        return promtool(["tsdb", "create-blocks-from", "openmetrics", path,
                         os.path.join(folder, "out")], "")


def check_metrics(text):
    from prometheus_client import CollectorRegistry
    from prometheus_client.exposition import generate_latest
    from prometheus_client.openmetrics.parser import (
        text_string_to_metric_families)

    families = list(text_string_to_metric_families(text))
    samples = [s for f in families for s in f.samples]
    assert len(families) > 20 and len(samples) > 25, (families, samples)
    assert all(f.documentation for f in families)
    assert all(math.isfinite(s.value) for s in samples)

    code, said = backfill(with_times(text))
    assert code == 0, said

    class Families:
        def collect(self):
            return families
    registry = CollectorRegistry()
    registry.register(Families())
    # promtool's linter reads the older text format only
    code, said = promtool(["check", "metrics"],
                          generate_latest(registry).decode())
    assert code == 0 and said == "", said
    return families, samples


def must_fail(what, text):
    try:
        check_metrics(text)
    except (ValueError, AssertionError):
        return
    raise AssertionError(f"metrics {what} pass")


def metrics():
    with Site() as site:
        site.start(speed=10)
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        headers, text = get(site, "/metrics")
    assert headers["content-type"] == \
        "application/openmetrics-text; version=1.0.0; charset=utf-8"
    families, samples = check_metrics(text)
    heating = {s.labels["room"]: s.value for s in samples
               if s.name == "heatgate_room_heating"}
    assert heating == {"heron": 1, "otter": 0}, heating
    must_fail("without an end", text.replace("# EOF\n", ""))
    must_fail("without words", "".join(
        line + "\n" for line in text.splitlines() if "# HELP" not in line))
    must_fail("twice", text.replace("# EOF\n", "") + text)
    print(f"metrics: {len(families)} families, {len(samples)} samples")


if __name__ == "__main__":
    sys.stdout.reconfigure(line_buffering=True)
    if len(sys.argv) != 2 or sys.argv[1] not in ("things", "metrics"):
        sys.exit(__doc__)
    {"things": things, "metrics": metrics}[sys.argv[1]]()
