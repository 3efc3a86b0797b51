"""The running gateway judged by other people's programs: the OpenMetrics
parser of python3-prometheus-client, the protocol machine of python3-wsproto,
sslscan and slowhttptest (all Debian packages)."""
import json
import os
import re
import socket
import subprocess
import time

import wsproto
from prometheus_client.openmetrics.parser import \
    text_string_to_metric_families
from wsproto.events import (AcceptConnection, CloseConnection, Ping, Pong,
                            Request, TextMessage)

from harness import SLOW, Site, wait
from peers import Certificates, guest, http


def test_outside__metrics_are_openmetrics_1_0():
    """github.com/prometheus/OpenMetrics; its reference parser is strict."""
    with Site() as site:
        site.start(speed=10)
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        status, headers, text = http(site, "/metrics")
        assert status == 200
        families = {f.name: f for f in text_string_to_metric_families(text)}
        assert len(families) >= 15
        for family in families.values():
            assert family.documentation, family.name
            assert family.samples or family.name == \
                "heatgate_room_air_celsius", family.name
        heating = {s.labels["room"]: s.value for s in
                   families["heatgate_room_heating"].samples}
        assert heating == {"heron": 1.0, "otter": 0.0}, heating
        assert families["heatgate_permits"].type == "counter"
        broken = text.replace("# EOF\n", "")
        try:
            list(text_string_to_metric_families(broken))
        except ValueError:
            return
        raise AssertionError("the parser accepts anything")


def test_outside__another_websocket_implementation_agrees():
    with Site() as site:
        site.start()
        issued = guest(site).issued
        plain = socket.create_connection(("127.0.0.1", site.port))
        plain.settimeout(20 * SLOW)
        machine = wsproto.WSConnection(wsproto.ConnectionType.CLIENT)
        events = []

        def await_event(kind):
            while True:
                while events:
                    event = events.pop(0)
                    if isinstance(event, kind):
                        return event
                data = plain.recv(65536)
                machine.receive_data(data or None)
                for event in machine.events():
                    if isinstance(event, Ping):
                        plain.sendall(machine.send(event.response()))
                    events.append(event)
        plain.sendall(machine.send(Request(
            host="localhost", target="/v1/rpc",
            subprotocols=["heatgate.rpc.v1"])))
        accepted = await_event(AcceptConnection)
        assert accepted.subprotocol == "heatgate.rpc.v1"
        assert accepted.extensions == []
        plain.sendall(machine.send(Ping(payload=b"x")))
        assert await_event(Pong).payload == b"x"
        plain.sendall(machine.send(TextMessage(data=json.dumps(
            {"jsonrpc": "2.0", "id": 1, "method": "hello",
             "params": {"code": issued["code"]}}))))
        text = ""
        while True:
            event = await_event(TextMessage)
            text += event.data
            if event.message_finished:
                break
        assert json.loads(text)["result"]["role"] == "guest"
        # what ends access ends it with a code that the other side can read
        site.owner.call("guest.revoke", id=issued["id"])
        closing = await_event(CloseConnection)
        assert closing.code == 4001 and "access-ended" in closing.reason
        plain.close()


def test_outside__sslscan_finds_nothing_old():
    with Site() as site:
        ca = Certificates(site)
        cert, key = ca.issue("gateway", "IP:127.0.0.1")
        site.config["listen"]["tls"] = {"cert_file": cert, "key_file": key}
        site.start(sim_rooms=None)
        done = subprocess.run(
            ["sslscan", "--no-colour", f"127.0.0.1:{site.port}"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            timeout=120 * SLOW)
        report = done.stdout
        for old in ("SSLv2", "SSLv3", "TLSv1.0", "TLSv1.1"):
            assert re.search(rf"^{re.escape(old)}\s+disabled$", report,
                             re.M), (old, report)
        for new in ("TLSv1.2", "TLSv1.3"):
            assert re.search(rf"^{re.escape(new)}\s+enabled$", report,
                             re.M), (new, report)
        ciphers = re.findall(r"^(?:Preferred|Accepted)\s+(\S+)\s+\d+ bits\s+"
                             r"(\S+)", report, re.M)
        assert len(ciphers) >= 4, report
        for version, name in ciphers:
            assert "GCM" in name or "CHACHA20" in name, (version, name)
            assert version == "TLSv1.3" or name.startswith("ECDHE"), name
        assert "vulnerable to heartbleed" not in \
            report.replace("not vulnerable to heartbleed", "")
        assert "Session renegotiation not supported" in report


def test_outside__slowhttptest_cannot_keep_others_out():
    with Site() as site:
        site.start(speed=10)
        client = guest(site)
        for mode in ("-H", "-B", "-X"):  # slow headers, bodies, reading
            process = subprocess.Popen(
                ["slowhttptest", mode, "-u",
                 f"http://127.0.0.1:{site.port}/healthz", "-c", "150", "-r",
                 "100", "-i", "1", "-l", "8"], stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, cwd=site.dir)
            try:
                longest = 0
                while process.poll() is None:
                    start = time.monotonic()
                    assert client.call("room.state", room="heron")
                    assert http(site, "/healthz")[0] == 200
                    longest = max(longest, time.monotonic() - start)
                    time.sleep(0.1)
                assert longest < 2 * SLOW, (mode, longest)
            finally:
                process.kill()
                process.wait()
        wait(lambda: len(os.listdir(
            f"/proc/{site.processes['gateway'].pid}/fd")) < 60,
            "the descriptors to be given back", 30)
