"""What the benchmark's figures should be."""


class Target:
    def __init__(self, limit, is_most):
        self.limit, self.is_most = limit, is_most

    def is_met(self, value):
        return value <= self.limit if self.is_most else value >= self.limit

    def __str__(self):
        return f"{'<=' if self.is_most else '>='} {self.limit:g}"


def most(limit):
    return Target(limit, True)


def least(limit):
    return Target(limit, False)


TARGETS = {
    "cpu_message_to_bare": most(1.4),
    "cpu_message_to_script": most(0.5),
    "throughput_to_script": least(2),
    "fanout_to_script": least(1.5),
    "gate_step_ns": most(200),
    "rss_10_rooms_mib": most(10),
    "rss_further_room_kib": most(8),
    "start_10000_rooms_ms": most(100),
    "verify_to_least": least(1),
    "month_opens_ms": most(1000),
}
for case in ("idle", "loaded", "flood", "stalled", "slow_disk"):
    TARGETS[f"door_{case}_p50_to_echo"] = most(1.3)
    TARGETS[f"door_{case}_p99_to_echo"] = most(2)


def find(name):
    return TARGETS.get(name)
