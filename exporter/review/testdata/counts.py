#!/usr/bin/env python3
"""Counts of alarms, second by second, from the definitions and nothing else.

Writes counts.json to standard output: streams of activations and what must be counted in them. With the argument
'again' it takes the streams from a counts.json on standard input. Definitions:
  sliding       an alarm counts from its start until 600 s after it, exclusive; looked at in every second
  fixed         600 s periods from 0
  flood         begins at 10 or more, ends below 5
  chattering    three starts of one alarm within 60 s, exactly 60 s included
  fleeting      over by itself within 60 s, nobody acknowledged before, not again within 60 s, not chattering
  stale         active for more than 86400 s
  percentiles   statistics.median; statistics.quantiles, inclusive
All times are whole seconds from 0, a midnight of UTC.
"""
import json
import random
import statistics
import sys

DAY = 86400


def sliding(starts, length, begin=10, end=5, width=600):
    """The flood state and the count in every second."""
    at = [0] * (length + width + 1)
    for s in starts:
        at[s] += 1
    now, count, floods, peak, seconds = None, 0, [], 0, 0
    for t in range(length):
        count = sum(at[max(0, t - width + 1):t + 1]) if t < width else count + at[t] - at[t - width]
        peak = max(peak, count)
        if now is None and count >= begin:
            now = {"begin": t, "end": None, "peak": 0}
            floods.append(now)
        elif now is not None and count < end:
            now["end"] = t
            now = None
        if now is not None:
            seconds += 1
            now["peak"] = max(now["peak"], count)
    for f in floods:
        until = length if f["end"] is None else f["end"]
        f["alarms"] = sum(1 for s in starts if f["begin"] - width < s <= f["begin"] or f["begin"] < s < until)
    return {"floods": floods, "peak": peak, "seconds": seconds}


def fixed(starts, length, begin=10, end=5, width=600):
    periods = [sum(1 for s in starts if p <= s < p + width) for p in range(0, length, width)]
    state, inside = False, []
    for n in periods:
        state = n >= end if state else n >= begin
        inside.append(state)
    return {"periods": periods, "inside": inside, "seconds": width * sum(inside),
            "alarms": sum(n for n, i in zip(periods, inside) if i)}


def chatter(starts):
    """Where a minute with three starts begins."""
    return [s for i, s in enumerate(starts) if sum(1 for o in starts[i:] if o - s <= 60) >= 3]


def of_rule(acts):
    acts = sorted(acts, key=lambda a: a["start"])
    starts = [a["start"] for a in acts]
    windows = chatter(starts)
    noisy = [any(w <= s <= w + 60 for w in windows) for s in starts]
    fleeting = 0
    for i, a in enumerate(acts):
        if a["how"] != "returned" or noisy[i] or a["end"] - a["start"] > 60:
            continue
        if a["acknowledged"] is not None and a["acknowledged"] < a["end"]:
            continue
        if any(0 <= o["start"] - a["end"] <= 60 for o in acts if o is not a):
            continue
        fleeting += 1
    return {"activations": len(acts), "windows": len(windows), "fleeting": fleeting}


def figures(acts, length):
    alarms = [a for a in acts if a["priority"] != "note"]
    starts = sorted(a["start"] for a in alarms)
    rules = {}
    for a in alarms:
        rules.setdefault(a["rule"], []).append(a)
    counts = sorted((len(l) for l in rules.values()), reverse=True)
    stale = []
    for a in alarms:
        until = length if a["end"] is None else a["end"]
        if until - a["start"] > DAY:
            stale.append((a["start"] + DAY, until))
    on = [sum(1 for b, e in stale if b < d + DAY and e > d) for d in range(0, length, DAY)]
    waits = [a["acknowledged"] - a["start"] for a in alarms if a["acknowledged"] is not None]
    ten, hour = sliding(starts, length), sliding(starts, length, width=3600)
    hours = [sum(1 for s in starts if h <= s < h + 3600) for h in range(0, length, 3600)]
    tens = fixed(starts, length)
    return {
        "alarms": len(alarms), "notes": len(acts) - len(alarms),
        "perHour": 3600 * len(alarms) / length, "perTen": 600 * len(alarms) / length,
        "sliding": ten, "fixed": tens, "peakHourSliding": hour["peak"], "peakHour": max(hours), "peakTen": max(tens["periods"]),
        "busyHours": sum(1 for n in hours if n > 30), "busyTens": sum(1 for n in tens["periods"] if n > 10),
        "topTen": sum(counts[:10]), "different": len(counts),
        "rules": {name: of_rule(l) for name, l in rules.items()},
        "stale": len(stale), "staleMost": max(on),
        "priorities": {p: sum(1 for a in alarms if a["priority"] == p) for p in ("high", "medium", "low")},
        "acknowledged": len(waits),
        "median": statistics.median(waits) if waits else None,
        "p90": statistics.quantiles(waits, n=10, method="inclusive")[8] if len(waits) > 1 else None,
    }


def act(rule, start, end=None, how="active", acknowledged=None, priority="low"):
    return {"rule": rule, "start": start, "end": end, "how": how, "acknowledged": acknowledged, "priority": priority}


def listed(starts):
    return [act(f"r{i}", s) for i, s in enumerate(starts)]


def random_days(seed, days):
    """Quiet days with bursts, chatter, long ones and people."""
    r = random.Random(seed)
    length, acts = days * DAY, []
    starts = [r.randrange(length) for _ in range(60 * days)]
    for _ in range(2 * days):
        at = r.randrange(length)
        starts += [at + r.randrange(r.choice([300, 900, 2000])) for _ in range(r.randrange(4, 40))]
    for rule in range(40):
        free = 0
        mine = sorted(s for s in starts if s % 40 == rule or s % 80 == 0 and rule < 3)
        if rule % 7 == 0:
            for _ in range(days):
                at = r.randrange(length)
                mine += [at + d for d in (0, r.randrange(5, 30), r.randrange(31, 70))]
        for s in sorted(mine):
            if s < free or s >= length:
                continue
            last = r.choice([2, 4, 9]) if rule % 7 == 0 else r.choice([4, 20, 60, 61, 300, 5000, 100000 if r.random() < 0.1 else 90])
            end, how = s + last, r.choice(["returned"] * 9 + ["shelved"])
            if end >= length:
                end, how = None, "active"
            acknowledged = s + r.randrange(1, 900) if r.random() < 0.4 else None
            acts.append(act(f"rule-{rule}", s, end, how, acknowledged, ["note", "high", "medium", "medium"][rule] if rule < 4 else "low"))
            free = s + last + 1 if end is not None else length
    return sorted(acts, key=lambda a: (a["start"], a["rule"])), length


def made():
    a = [*range(0, 441, 40), 650, 750, 850, 950, 1050, 1150, 1300, 1500, 1700, 1799, 2500, 3100]
    b = [*range(0, 801, 100), *range(1300, 1691, 30), *range(2000, 2241, 60), 2500, 2900, 3300]
    streams = {"A": (listed(a), 3600), "B": (listed(b), 3600), "exactly ten": (listed(range(0, 541, 60)), 3600)}
    for i, starts in enumerate([[0, 20, 41, 300], [0, 31, 62], [10, 25, 40, 55, 70, 400, 415], [0, 30, 60]]):
        streams[f"chatter {i + 1}"] = ([act("c", s, s + 1, "returned") for s in starts], 3600)
    many = [240, 120, 60, 40, 30, 20, 20, 10, 10, 10] + [5] * 88
    order = [f"r{i}" for i, n in enumerate(many) for _ in range(n)]
    streams["ten most frequent"] = ([act(name, 80 * i) for i, name in enumerate(order)], DAY)
    for seed in range(1, 4):
        streams[f"random {seed}"] = random_days(seed, 3)
    return streams


def main():
    if sys.argv[1:] == ["again"]:
        streams = {name: ([act(**a) for a in s["activations"]], s["length"]) for name, s in json.load(sys.stdin).items()}
    else:
        streams = made()
    out = {}
    for name, (acts, length) in streams.items():
        told = [{k: v for k, v in a.items() if v not in (None, "active", "low")} for a in acts]
        out[name] = {"length": length, "activations": told, "want": figures(acts, length)}
        out[name]["want"]["moreThanTen"] = sliding(sorted(x["start"] for x in acts if x["priority"] != "note"), length, begin=11)
    print(json.dumps(out, separators=(",", ":")))


main()
