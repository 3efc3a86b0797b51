"""What is wrong with a room or the gateway shows in the state, in a notice
and in doctor, and is gone again when it is mended."""
import json
import os
import subprocess

from harness import BIN, Site, wait
from peers import Certificates

HEATGATE = os.path.join(BIN, "heatgate")


def codes(admin, room):
    return {f["code"] for f in admin.call("room.state", room=room)["findings"]}


def doctor(site):
    out = subprocess.run(
        [HEATGATE, "--json", "doctor", "--state-dir", site.dir],
        env=dict(os.environ, HEATGATE_SOCKET=site.config["admin_socket"]),
        stdout=subprocess.PIPE, check=False).stdout
    return json.loads(out)["checks"]


def test_findings__a_damp_module_is_told_everywhere():
    with Site() as site:
        site.start()
        seen = site.observe()
        admin = site.admin()
        wait(lambda: admin.call("room.state", room="heron")["fresh"], "data")
        assert codes(admin, "heron") == set()

        site.sim.do("heron fault module-damp")
        wait(lambda: codes(admin, "heron") == {"module-climate"}, "finding")
        assert codes(admin, "otter") == set()
        (finding,) = admin.call("room.state", room="heron")["findings"]
        assert finding["level"] == "alarm"
        assert "97 % of 95 % RH" in finding["text"], finding
        assert finding["remedy"]
        wait(lambda: seen.notices("heron", "module-climate"), "notice")
        notice = seen.notices("heron", "module-climate")[0]
        assert notice["level"] == "alarm" and "97 %" in notice["text"]
        assert any(c["what"] == "heron" and c["level"] == "fail" and
                   c["text"].startswith("module-climate since ") and
                   "97 %" in c["text"] for c in doctor(site))

        site.sim.do("heron fault none")
        wait(lambda: codes(admin, "heron") == set(), "finding gone")
        assert not any("97 %" in c["text"] for c in doctor(site))
        assert len(seen.notices("heron", "module-climate")) == 1


def test_findings__the_gateways_own_are_for_staff():
    with Site() as site:
        site.start()
        listed = site.admin().call("room.list")["findings"]
        assert all(f["code"] in ("disk-near-full", "clock-untrusted",
                                 "certificate-expiring") for f in listed)
        free = os.statvfs(site.dir)
        is_low = (free.f_bavail * free.f_frsize < 200 << 20 or
                  free.f_bavail * 20 < free.f_blocks)
        assert is_low == any(f["code"] == "disk-near-full" for f in listed)


def test_findings__a_certificate_near_its_end_is_told():
    with Site() as site:
        authority = Certificates(site)  # its certificates last 2 days
        cert, key = authority.issue("gateway", "IP:127.0.0.1")
        site.config["listen"]["tls"] = {"cert_file": cert, "key_file": key}
        site.start(sim_rooms=["heron"])
        (found,) = wait(lambda: [
            f for f in site.owner.call("room.list")["findings"]
            if f["code"] == "certificate-expiring"], "the finding")
        assert cert in found["text"] and " ends at " in found["text"], found
        assert "Renew it" in found["remedy"], found
        assert any(c["level"] != "ok" and "certificate-expiring" in c["text"]
                   and cert in c["text"] for c in doctor(site)), doctor(site)
        with open(os.path.join(site.dir, "gateway.log")) as log:
            assert log.read().count("certificate-expiring: ") == 1

        # told in every room, also when it was found before there was a broker
        site.kill("gateway")
        site.start_gateway()
        for room in ("heron", "otter"):
            (notice,) = wait(
                lambda at=room: site.observer.notices(
                    at, "certificate-expiring"), "the notice")[-1:]
            assert notice["level"] == "warning" and cert in notice["text"]

        # renewed, and restarted as the remedy says
        site.kill("gateway")
        authority._openssl("x509", "-req", "-in",
                           authority.path("csr", "gateway"), "-CA",
                           authority.ca, "-CAkey", authority.path("key"),
                           "-CAcreateserial", "-days", "31", "-extfile",
                           authority.path("ext", "gateway"), "-out", cert)
        site.start_gateway()
        admin = site.admin()
        wait(lambda: admin.call("room.state", room="heron")["fresh"], "data")
        seen = admin.call("room.state", room="heron")["rev"]
        wait(lambda: admin.call("room.state", room="heron")["rev"] > seen + 8,
             "some seconds of telemetry")
        assert not any("certificate-expiring" in c["text"]
                       for c in doctor(site)), doctor(site)
