"""The cases of the benchmark; each returns one round's figures by name."""
import json
import os
import signal
import socket
import subprocess
import tempfile
import time

from site_bench import (BARE, BENCH, BIN, ROOT, SCRIPT, STEP, Bench, Slow,
                        make_journal, percentile, rss_kib, room_settings,
                        settle, threads_cpu_s)

FULL = {"doors": 300, "messages": 100000, "drain": 100000, "fan": 3000,
        "rooms": 10000, "days": 120}
QUICK = {"doors": 50, "messages": 20000, "drain": 20000, "fan": 500,
         "rooms": 10000, "days": 30}


# -- a door opens -------------------------------------------------------------

def judge_doors(row, case, found):
    """Figures of one case from the microseconds of each who answered."""
    for part, label in ((0.5, "p50"), (0.99, "p99")):
        times = {who: percentile(values, part)
                 for who, values in found.items()}
        for who, value in times.items():
            row[f"door_{case}_{label}_us_{who}"] = value
        row[f"door_{case}_{label}_to_echo"] = times["gateway"] / times["echo"]


def doors(size):
    row = {}
    with Bench() as site:
        site.start()
        site.heat_by_hand("door")
        with site.bare("echo"), site.script():
            judge_doors(row, "idle", site.doors(
                size["doors"], "gateway", "echo", "script"))
            with site.load(ROOT, 99, 2000), site.load(BARE, 99, 2000):
                judge_doors(row, "loaded", site.doors(
                    size["doors"], "gateway", "echo"))
            with site.flood():
                judge_doors(row, "flood", site.doors(
                    size["doors"], "gateway", "echo"))
            with site.watchers("gateway", "room-00000", 100, "stall"), \
                    site.load(ROOT, 1, 500):
                judge_doors(row, "stalled", site.doors(
                    size["doors"], "gateway", "echo"))
    return row


def slow_disk(size):
    """Each fdatasync takes 200 ms more."""
    row = {}
    with Bench() as site:
        site.start(env=Slow.ENV)
        site.heat_by_hand("door")
        with site.bare("echo"):
            judge_doors(row, "slow_disk", site.doors(
                size["doors"], "gateway", "echo"))
    return row


# -- telemetry ----------------------------------------------------------------

def cost(site, pid, root, count):
    """CPU microseconds a message at 10,000 a second."""
    settle(pid)
    start = threads_cpu_s(pid)
    site.burst(root, 99, count, 10000)
    settle(pid)
    return (threads_cpu_s(pid) - start) * 1e6 / count


def messages(size):
    """CPU a message; the gateway and the script have a watcher."""
    row = {}
    with Bench() as site:
        site.start()
        gateway = site.processes["gateway"].pid
        with site.bare("parse") as bare:
            row["cpu_us_message_bare"] = cost(site, bare.pid, BARE,
                                              size["messages"])
        with site.watchers("gateway", "room-00000", 1):
            row["cpu_us_message_gateway"] = cost(site, gateway, ROOT,
                                                 size["messages"])
        if SCRIPT is not None:
            with site.script() as script, \
                    site.watchers("script", "room-00000", 1):
                row["cpu_us_message_script"] = cost(
                    site, script.pid, SCRIPT, size["messages"])
    compare(row, "cpu_message", "cpu_us_message", "bare", "script")
    return row


def compare(row, name, prefix, *others):
    for other in others:
        if f"{prefix}_{other}" in row:
            row[f"{name}_to_{other}"] = (row[f"{prefix}_gateway"] /
                                         row[f"{prefix}_{other}"])


def drain(site, pid, root, watchers, count):
    """Messages a second that it works off; the broker has them all before it
    may begin."""
    os.kill(pid, signal.SIGSTOP)
    try:
        site.burst(root, 99, count, 0)
    finally:
        os.kill(pid, signal.SIGCONT)
    return count / watchers.result()[1]


def throughput(size):
    row = {}
    with Bench() as site:
        site.start()
        with site.watchers("gateway", "room-00000", 1) as watchers:
            row["messages_s_gateway"] = drain(
                site, site.processes["gateway"].pid, ROOT, watchers,
                size["drain"])
        if SCRIPT is not None:
            with site.script() as script, \
                    site.watchers("script", "room-00000", 1) as watchers:
                row["messages_s_script"] = drain(
                    site, script.pid, SCRIPT, watchers, size["drain"])
        with site.bare("parse") as bare:
            os.kill(bare.pid, signal.SIGSTOP)
            site.burst(BARE, 99, size["drain"], 0)
            os.kill(bare.pid, signal.SIGCONT)
            settle(bare.pid)
            bare.terminate()
            heard, bad, seconds = bare.communicate()[0].split()
            assert int(heard) > size["drain"] and bad == "0", (heard, bad)
            row["messages_s_bare"] = int(heard) / float(seconds)
    compare(row, "throughput", "messages_s", "bare", "script")
    return row


# -- watchers -----------------------------------------------------------------

def fan(site, pid, who, root, size):
    """Messages a second with which 100 watchers are kept up to date (the
    gateway merges patches when they come faster than they leave: share tells
    how many were sent); then CPU a patch at a rate at which nobody has to."""
    with site.watchers(who, "room-00000", 100) as watchers:
        site.burst(root, 1, size["fan"], 0)
        patches, seconds = watchers.result()
    with site.watchers(who, "room-00000", 100) as watchers:
        settle(pid)
        start = threads_cpu_s(pid)
        site.burst(root, 1, size["fan"] // 5, 200)
        paced, _ = watchers.result()
        settle(pid)
        cpu_us = (threads_cpu_s(pid) - start) * 1e6 / paced
    return {f"fanout_messages_s_{who}": size["fan"] / seconds,
            f"fanout_patches_s_{who}": patches / seconds,
            f"fanout_share_{who}": patches / 100 / size["fan"],
            f"fanout_cpu_us_{who}": cpu_us}


def fanout(size):
    row = {}
    with Bench() as site:
        site.start()
        row.update(fan(site, site.processes["gateway"].pid, "gateway", ROOT,
                       size))
        if SCRIPT is not None:
            with site.script() as script:
                row.update(fan(site, script.pid, "script", SCRIPT, size))
    compare(row, "fanout", "fanout_messages_s", "script")
    compare(row, "fanout_cpu", "fanout_cpu_us", "script")
    return row


# -- the gate, memory, start, journal -----------------------------------------

def gate(size):
    text = subprocess.run([STEP], stdout=subprocess.PIPE, text=True,
                          check=True).stdout.split()
    return {"gate_step_ns": float(text[0]), "gate_step_p99_ns":
            float(text[1])}


def rss_of(rooms):
    with Bench(rooms={f"room-{n:05d}": room_settings()
                      for n in range(rooms)}) as site:
        site.start()
        site.burst(ROOT, rooms, rooms * 3, 2000)
        pid = site.processes["gateway"].pid
        settle(pid)
        return rss_kib(pid)


def memory(size):
    few, many = rss_of(10), rss_of(1010)
    return {"rss_10_rooms_mib": few / 1024,
            "rss_further_room_kib": (many - few) / 1000}


def ready_ms(site):
    """From the fork to the word for the service manager."""
    path = os.path.join(site.dir, "notify.sock")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind(path)
        notify.settimeout(60)
        start = time.monotonic()
        site.start_gateway(env={"NOTIFY_SOCKET": path}, ready=False)
        while b"READY=1" not in notify.recv(4096):
            pass
        spent = time.monotonic() - start
    os.unlink(path)
    return spent * 1000


def start(size):
    """Of a service that knows its rooms already."""
    with Bench(rooms={f"room-{n:05d}": room_settings()
                      for n in range(size["rooms"])}) as site:
        site.start_broker()
        ready_ms(site)
        site.kill("gateway")
        row = {"start_10000_rooms_ms": ready_ms(site)}
    return row


def verify_mb_s(folder):
    total = sum(os.path.getsize(os.path.join(folder, name))
                for name in os.listdir(folder))
    start_s = time.monotonic()
    subprocess.run([os.path.join(BIN, "heatgate"), "journal", "verify",
                    folder], check=True, stdout=subprocess.DEVNULL)
    return total / 1e6 / (time.monotonic() - start_s)


def openssl_mb_s():
    text = subprocess.run(
        ["openssl", "speed", "-mr", "-seconds", "1", "-bytes", "16384",
         "-evp", "sha256"], stdout=subprocess.PIPE, text=True, check=True,
        stderr=subprocess.DEVNULL).stdout
    line = next(l for l in text.splitlines() if l.startswith("+F:"))
    return float(line.split(":")[-1]) / 1e6


def journal(size):
    row = {}
    with tempfile.TemporaryDirectory(prefix="heatgate-bench-") as folder:
        make_journal(folder, 100, size["days"])
        row["verify_mb_s"] = verify_mb_s(folder)
    row["openssl_sha256_mb_s"] = openssl_mb_s()
    row["verify_to_least"] = row["verify_mb_s"] / min(
        200, row["openssl_sha256_mb_s"] / 2)
    with Bench() as site:
        make_journal(os.path.join(site.config["state_dir"], "journal"), 100,
                     30)
        site.start_broker()
        row["month_opens_ms"] = ready_ms(site)
    return row


ALL = (doors, slow_disk, messages, throughput, fanout, gate, memory, start,
       journal)
