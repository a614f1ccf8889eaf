"""Holds every statistic to reference libraries: scipy and statsmodels, to a relative 1e-9.

    statistics.py CASES.ndjson
"""

import json
import sys

import numpy as np
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

RELATIVE, ABSOLUTE = 1e-9, 1e-12


def wilson(given, confidence):
    low, high = proportion_confint(*given, alpha=1 - confidence, method="wilson")
    return {"low": low, "high": high}


def poisson(given, confidence):
    (events,) = given
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * events) / 2 if events else 0.0
    return {"low": low, "high": stats.chi2.isf(tail, 2 * events + 2) / 2}


def change(given, confidence):
    start, end = np.array(given, dtype=float).T
    delta = end - start
    n, mean, deviation = len(delta), delta.mean(), delta.std(ddof=1)
    found = {"n": n, "start": start.mean(), "end": end.mean(), "mean": mean, "deviation": deviation}
    low, high = stats.t.interval(confidence, n - 1, loc=mean, scale=stats.sem(delta))
    found["interval"] = {"low": low, "high": high}
    tail, t, root = (1 - confidence) / 2, mean / (deviation / n**0.5), n**0.5
    # The interval is checked by what defines it: the tail probabilities at its two ends.
    found["response"] = {"Ok": {"estimate": mean / deviation}}
    found["effect"] = {"Ok": mean / start.std(ddof=1)}
    found["tails"] = lambda seen: (
        stats.nct.sf(t, n - 1, seen["low"] * root),
        stats.nct.cdf(t, n - 1, seen["high"] * root),
        tail,
    )
    return found


def spread(given, confidence):
    values = np.sort(np.array(given, dtype=float))
    n = len(values)
    quartiles = np.percentile(values, [25, 50, 75])
    found = {
        "n": n, "min": values[0], "max": values[-1],
        "first_quartile": quartiles[0], "median": quartiles[1], "third_quartile": quartiles[2],
    }
    k = int(stats.binom.ppf((1 - confidence) / 2, n, 0.5))
    while k and stats.binom.cdf(k - 1, n, 0.5) > (1 - confidence) / 2:
        k -= 1
    while stats.binom.cdf(k, n, 0.5) <= (1 - confidence) / 2:
        k += 1
    found["interval"] = {"Ok": {"low": values[k - 1], "high": values[n - k]}} if k else {"Err": "too-few"}
    return found


def funnel(given, confidence):
    target, n = given
    counts, limits = stats.binom(n, target), []
    for probability in ((1 - confidence) / 2, 1 - (1 - confidence) / 2):
        r = counts.ppf(probability)
        r = r - 1 if r and counts.cdf(r - 1) >= probability else r
        limits.append(min(1, max(0, (r - (counts.cdf(r) - probability) / counts.pmf(r)) / n)))
    return {"n": n, "limits": {"low": limits[0], "high": limits[1]}}


def indirect(given, confidence):
    rows = np.array(given, dtype=float)
    used = rows[rows[:, 1] > 0]
    if not len(used):
        return {"Err": "no-case"}
    observed = int(used[:, 0].sum())
    expected = (used[:, 1] * used[:, 2] / used[:, 3]).sum()
    if not expected:
        return {"Err": "nothing-expected"}
    limits = poisson([observed], confidence)
    crude = rows[:, 2].sum() / rows[:, 3].sum()
    return {
        "observed": observed, "expected": expected, "ratio": observed / expected,
        "interval": {name: end / expected for name, end in limits.items()},
        "share": observed / expected * crude,
    }


def p_chart(given, _confidence):
    counts, sizes = np.array(given, dtype=float).T
    if not sizes.sum():
        return {"Err": "no-case"}
    centre = counts.sum() / sizes.sum()
    points, known = [], []
    for month, (count, size) in enumerate(zip(counts, sizes)):
        if not size:
            points.append(None)
            continue
        error = (centre * (1 - centre) / size) ** 0.5
        share = count / size
        distance = (share - centre) / error if error else 0.0
        points.append({
            "share": share, "distance": distance,
            "limits": {"low": max(0, centre - 3 * error), "high": min(1, centre + 3 * error)},
        })
        known.append((month, share, distance))
    signals = []
    for end, (month, _, _) in enumerate(known):
        for rule, span in (("beyond-limits", 1), ("nine-on-one-side", 9), ("six-in-a-trend", 6),
                           ("two-of-three", 3), ("four-of-five", 5)):
            if end + 1 < span:
                continue
            window = known[end + 1 - span:end + 1]
            z = np.array([point[2] for point in window])
            steps = np.diff([point[1] for point in window])
            side = lambda limit, wanted: any(
                z[-1] * sign > limit and (z * sign > limit).sum() >= wanted for sign in (1, -1))
            holds = {
                "beyond-limits": lambda: side(3, 1),
                "nine-on-one-side": lambda: side(0, 9),
                "six-in-a-trend": lambda: (steps > 0).all() or (steps < 0).all(),
                "two-of-three": lambda: side(2, 2),
                "four-of-five": lambda: side(1, 4),
            }[rule]()
            if holds:
                signals.append({"month": month, "rule": rule})
    return {"centre": centre, "points": points, "signals": signals}


def differences(wanted, found, path=""):
    """Where the two differ; what only `found` has is not compared."""
    if isinstance(wanted, dict):
        for name, value in wanted.items():
            yield from differences(value, (found or {}).get(name), f"{path}.{name}")
    elif isinstance(wanted, list):
        if len(wanted) != len(found):
            yield f"{path}: {wanted} {found}"
        else:
            for at, pair in enumerate(zip(wanted, found)):
                yield from differences(*pair, f"{path}[{at}]")
    elif wanted is None or isinstance(wanted, str):
        if wanted != found:
            yield f"{path}: {wanted} {found}"
    elif not isinstance(found, (int, float)) or not np.isclose(wanted, found, RELATIVE, ABSOLUTE):
        yield f"{path}: {wanted} {found}"


def main():
    kinds = {"wilson": wilson, "poisson": poisson, "change": change, "spread": spread,
             "funnel": funnel, "indirect": indirect, "p-chart": p_chart}
    seen, faults = {}, []
    for line in open(sys.argv[1], encoding="utf-8"):
        case = json.loads(line)
        seen[case["kind"]] = seen.get(case["kind"], 0) + 1
        wanted = kinds[case["kind"]](case["given"], case["confidence"])
        found = case["found"]
        found = found.get("Ok", found)
        tails = wanted.pop("tails", None)
        faults += [f'{case["kind"]}{where} for {str(case["given"])[:120]}' for where in differences(wanted, found)]
        if tails:
            low, high, tail = tails(found["response"]["Ok"]["interval"])
            if abs(low - tail) > 1e-9 or abs(high - tail) > 1e-9:
                faults.append(f"response interval: tails {low} {high}, not {tail}")
    print("statistics:", ", ".join(f"{count} {kind}" for kind, count in seen.items()), "compared")
    for fault in faults[:20]:
        print("  differs:", fault)
    missing = [kind for kind in kinds if seen.get(kind, 0) < 500]
    sys.exit(f"{len(faults)} differences; too few of {missing}" if faults or missing else 0)


main()
