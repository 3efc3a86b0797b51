"""TLS on both sides. The peers are Python's ssl (OpenSSL) and mosquitto."""
import os
import socket
import ssl

from harness import SLOW, Client, Site, wait
from peers import Certificates, Raw, http, stay, tls_context


def tls_site(**listen):
    site = Site()
    ca = site.certificates = Certificates(site)
    cert, key = ca.issue("gateway", "IP:127.0.0.1,DNS:localhost")
    site.config["listen"]["tls"] = {"cert_file": cert, "key_file": key}
    site.config["listen"].update(listen)
    return site


def shake(site, context, name="127.0.0.1"):
    """The version of a finished handshake; ssl.SSLError else."""
    with socket.create_connection(("127.0.0.1", site.port)) as plain:
        plain.settimeout(10 * SLOW)
        with context.wrap_socket(plain, server_hostname=name) as secure:
            return secure.version()


def test_tls__the_websocket_speaks_tls_1_2_and_1_3():
    with tls_site() as site:
        site.start(sim_rooms=None)
        ca = site.certificates.ca
        V = ssl.TLSVersion
        assert shake(site, tls_context(ca)) == "TLSv1.3"
        assert shake(site, tls_context(ca, V.TLSv1_2, V.TLSv1_2)) == "TLSv1.2"
        for version in (V.TLSv1, V.TLSv1_1):
            try:
                got = shake(site, tls_context(ca, version, version))
            except (ssl.SSLError, ConnectionError):
                continue
            raise AssertionError(f"{got} was accepted")
        issued = site.owner.call("guest.issue", rooms=["heron"], label="x",
                                 **stay())
        for low, high in ((V.TLSv1_2, V.TLSv1_2), (V.TLSv1_3, V.TLSv1_3)):
            client = Client(url=f"wss://127.0.0.1:{site.port}/v1/rpc",
                            tls=tls_context(ca, low, high))
            assert client.call("hello",
                               code=issued["code"])["role"] == "guest"
            client.close()
        status, _, _ = http(site, "/healthz", scheme="https",
                            context=tls_context(ca))
        assert status == 200


def test_tls__weak_ciphers_are_refused():
    with tls_site() as site:
        site.start(sim_rooms=None)
        for ciphers in ("AES128-SHA", "ECDHE-ECDSA-AES128-SHA",
                        "ECDHE-ECDSA-AES256-SHA384", "NULL", "aNULL",
                        "DES-CBC3-SHA"):
            context = tls_context(site.certificates.ca)
            context.maximum_version = ssl.TLSVersion.TLSv1_2
            try:
                context.set_ciphers(ciphers + ":@SECLEVEL=0")
            except ssl.SSLError:
                continue  # this OpenSSL has not got it at all
            try:
                shake(site, context)
            except (ssl.SSLError, ConnectionError):
                continue
            raise AssertionError(f"{ciphers} was accepted")


def test_tls__a_client_with_another_authority_or_name_refuses_it():
    with tls_site() as site:
        site.start(sim_rooms=None)
        other = Certificates(site, "other")
        for context, name in ((tls_context(other.ca), "127.0.0.1"),
                              (tls_context(site.certificates.ca),
                               "elsewhere.example")):
            try:
                shake(site, context, name)
            except ssl.SSLCertVerificationError:
                continue
            raise AssertionError("a wrong certificate was accepted")
        # the handshakes that failed harmed nobody
        assert shake(site, tls_context(site.certificates.ca))


def test_tls__cleartext_is_not_served_on_a_tls_port():
    with tls_site() as site:
        site.start(sim_rooms=None)
        for data in (b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n",
                     Raw(site).head(), b"\x16\x03", b"\x00" * 500):
            with socket.create_connection(("127.0.0.1", site.port)) as plain:
                plain.settimeout(20 * SLOW)
                plain.sendall(data)
                got = b""
                try:
                    while True:
                        more = plain.recv(4096)
                        if not more:
                            break
                        got += more
                except ConnectionError:
                    pass
                assert b"HTTP" not in got, got
        assert shake(site, tls_context(site.certificates.ca))


def test_tls__idle_handshakes_are_let_go():
    with tls_site() as site:
        site.start(sim_rooms=None)
        idle = [socket.create_connection(("127.0.0.1", site.port))
                for _ in range(40)]
        assert shake(site, tls_context(site.certificates.ca))
        for plain in idle:
            plain.settimeout(15 * SLOW)
            try:
                assert plain.recv(100) == b""
            except ConnectionError:
                pass
            plain.close()


def test_tls__a_key_that_does_not_fit_stops_the_start():
    with tls_site() as site:
        site.start_broker()
        _, key = site.certificates.issue("another", "IP:127.0.0.1")
        site.config["listen"]["tls"]["key_file"] = key
        process = site.start_gateway(ready=False)
        code = process.wait(20 * SLOW)
        assert code in (1, 2), code
        with open(os.path.join(site.dir, "gateway.log")) as file:
            log = file.read()
        assert "key" in log.lower() or "certificate" in log.lower(), log


def tls_broker(site, names="IP:127.0.0.1", client=False):
    ca = site.certificates = Certificates(site)
    cert, key = ca.issue("broker", names)
    # the broker drops its privileges
    for path in (cert, key, ca.ca):
        os.chmod(path, 0o644)
    extra = f"cafile {ca.ca}\ncertfile {cert}\nkeyfile {key}\n"
    if client:
        extra += "require_certificate true\nuse_identity_as_username true\n"
    site.broker_extra = extra
    site.config["broker"]["tls"] = {"ca_file": ca.ca}
    site.start_broker()
    return ca


def is_connected(site):
    def broker_up():
        return http(site, "/healthz")[0] == 200
    return broker_up


def broker_log(site):
    with open(os.path.join(site.dir, "broker.log")) as file:
        return file.read()


def test_tls__the_broker_with_a_client_certificate():
    with Site() as site:
        ca = tls_broker(site, client=True)
        process = site.start_gateway()
        # without a certificate of its own the broker does not let it in
        owner = site.admin()
        assert "broker-down" in owner.call("room.state",
                                           room="heron")["reasons"]
        wait(lambda: "peer did not return a certificate" in broker_log(site),
             "the broker to complain")
        assert http(site, "/healthz")[0] == 503
        assert process.poll() is None
        site.kill("gateway")
        cert, key = ca.issue("heatgate", "DNS:heatgate")
        site.config["broker"]["tls"].update(cert_file=cert, key_file=key)
        site.start_gateway()
        wait(is_connected(site), "the connection")
        assert "u'heatgate'" in broker_log(site), broker_log(site)


def test_tls__a_broker_of_another_name_or_authority_is_refused():
    for names, foreign in (("DNS:elsewhere.example", False),
                           ("IP:127.0.0.2", False),
                           ("IP:127.0.0.1", True)):
        with Site() as site:
            tls_broker(site, names)
            if foreign:
                site.config["broker"]["tls"]["ca_file"] = Certificates(
                    site, "foreign").ca
            process = site.start_gateway()
            log = os.path.join(site.dir, "gateway.log")

            def complained():
                with open(log) as file:
                    return "cannot connect to the broker" in file.read()
            wait(complained, "the reason in the log")
            assert http(site, "/healthz")[0] == 503
            assert "as heatgate" not in broker_log(site), broker_log(site)
            assert process.poll() is None


def test_tls__a_tls_broker_is_not_spoken_to_in_the_clear_and_vice_versa():
    with Site() as site:
        tls_broker(site)
        site.config["broker"]["tls"] = None
        site.start_gateway()
        wait(lambda: "as heatgate" not in broker_log(site), "refused")
        assert http(site, "/healthz")[0] == 503
    with Site() as site:
        site.start_broker()
        site.config["broker"]["tls"] = {"ca_file": Certificates(site).ca}
        process = site.start_gateway()
        assert http(site, "/healthz")[0] == 503
        assert process.poll() is None
        assert "as heatgate" not in broker_log(site)


def test_tls__a_tls_broker_that_comes_and_goes():
    with Site() as site:
        tls_broker(site)
        site.start_gateway()
        wait(is_connected(site), "the connection")
        for _ in range(3):
            site.kill("broker")
            wait(lambda: http(site, "/healthz")[0] == 503, "broker-down")
            site.start_broker()
            wait(is_connected(site), "the connection again", 60)
