#!/usr/bin/env python3
"""One indicator over a clinic: the program beside DuckDB over a Parquet table of the same facts.

    target/peer/venv/bin/python tests/peer/speed_audit.py target/release/spondyl [PATIENTS] [STORE]

Needs the environment that tests/peer/run makes. About 91,000 patients have 100,000 episodes. The clinic
is generated into STORE, or into a temporary directory; a store that is there is used as it is.

First the facts of all episodes are computed from the records (`spondyl rebuild`), beside a scan that
reads every row of the store once. Then the server and DuckDB answer the same question by turns: an
indicator over two years, of all cases and split by the seven stratifiers. DuckDB counts in one query
with grouping sets, over a Parquet file that is in the cache of the system. The program's time is that of
the whole request with what DuckDB does not make: intervals, shares beside the case mix, the
MeasureReport and its JSON. Every count must be the same in both. Median of 15, after one of each.
"""
import json
import pathlib
import re
import subprocess
import sys
import tempfile
import time

import duckdb
import requests

START, END = "2025-01-01", "2026-12-31"
MEASURE = "disability-improved"
ROUNDS = 15

# The bands of CodeSystem/audit-stratifier, in its words.
AGE = """case when age is null then null when age < 18 then 'under-18' when age < 30 then '18-29'
 when age < 40 then '30-39' when age < 50 then '40-49' when age < 60 then '50-59'
 when age < 70 then '60-69' else '70-and-over' end"""
STRATA = ["age-band", "sex", "baseline-severity", "referral-source", "practitioner", "site", "month"]
TABLE = f"""select "end"::date as last_day, {AGE} as "age-band", sex, severity as "baseline-severity",
 case when referred then referrer else 'none' end as "referral-source", practitioner, site,
 strftime("end"::date, '%Y-%m') as month, disability.room::boolean as room, disability.improved::boolean as improved
 from read_json('{{facts}}', format='newline_delimited', maximum_depth=3, sample_size=-1)"""
SETS = ", ".join(f'("{name}")' for name in STRATA)
COLUMNS = ", ".join(f'"{name}", grouping("{name}")' for name in STRATA)
# Denominator: the first score leaves room. Missing: that is not known, or in it the improvement.
QUERY = f"""select {COLUMNS}, count(*), count(*) filter (room), count(*) filter (room and improved),
 count(*) filter (room is null or (room and improved is null))
 from '{{table}}' where last_day between '{START}' and '{END}' group by grouping sets ((), {SETS})"""
NUMBERS = ["initial-population", "denominator", "numerator"]


def run(*words):
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{words}: {done.stdout[-500:]}{done.stderr[-500:]}")
    return done.stdout


def served(spondyl, store, told):
    server = subprocess.Popen(
        [spondyl, "serve", "--data", store, "--listen", "127.0.0.1:0", "--audit-least", "0"],
        stdout=open(told, "w"), stderr=subprocess.DEVNULL)
    for _ in range(600):
        found = re.search(r"http://127.0.0.1:\d+/fhir", pathlib.Path(told).read_text())
        if found:
            return server, found.group()
        time.sleep(0.1)
    sys.exit("the server did not say where it listens")


def ask(session, base):
    """The report; while the facts are still read or computed the server says so."""
    while True:
        answer = session.get(f"{base}/Measure/{MEASURE}/$evaluate-measure",
                             params={"periodStart": START, "periodEnd": END}, timeout=600)
        if answer.status_code != 503:
            answer.raise_for_status()
            return answer.json()
        time.sleep(1)


def part(reported):
    populations = {p["code"]["coding"][0]["code"]: p.get("count") for p in reported["population"]}
    figure = next(e for e in reported["extension"] if e["url"].endswith("/audit-figure"))
    missing = next(p["valueUnsignedInt"] for p in figure["extension"] if p["url"] == "missing")
    return [populations[name] for name in NUMBERS] + [missing]


def ours(report):
    group = report["group"][0]
    counts = {("all", None): part(group)}
    for split in group["stratifier"]:
        name = split["code"][0]["coding"][0]["code"]
        for stratum in split["stratum"]:
            counts[name, stratum["value"].get("text")] = part(stratum)
    return counts


def theirs(rows):
    counts = {}
    for row in rows:
        pairs = list(zip(row[0:14:2], row[1:14:2]))
        own = [(name, value) for name, (value, left_out) in zip(STRATA, pairs) if not left_out]
        counts[own[0] if own else ("all", None)] = list(row[14:])
    return counts


def timed(work):
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def main():
    spondyl = pathlib.Path(sys.argv[1]).resolve()
    patients = sys.argv[2] if len(sys.argv) > 2 else "1000"
    with tempfile.TemporaryDirectory() as directory:
        work = pathlib.Path(directory)
        store = pathlib.Path(sys.argv[3]) if len(sys.argv) > 3 else work / "store"
        if not store.exists():
            took, _ = timed(lambda: run(spondyl, "generate", "clinic", "--patients", patients,
                                        "--seed", "7", "--load", store))
            print(f"{patients} patients stored in {took:.0f} s", flush=True)
        facts = work / "facts.ndjson"
        print(run(spondyl, "rebuild", "--data", store, "--beside-scan", "--out", facts), end="", flush=True)
        table = work / "facts.parquet"
        peer = duckdb.connect()
        peer.execute(f"copy ({TABLE.format(facts=facts)}) to '{table}' (format parquet)")
        query = QUERY.format(table=table)
        server, base = served(spondyl, store, work / "serve.out")
        try:
            session = requests.Session()
            own, other = ours(ask(session, base)), theirs(peer.execute(query).fetchall())
            if own != other:
                differ = [key for key in own.keys() | other.keys() if own.get(key) != other.get(key)]
                sys.exit(f"the counts differ: {[(key, own.get(key), other.get(key)) for key in differ[:5]]}")
            times = [(timed(lambda: ask(session, base))[0],
                      timed(lambda: peer.execute(query).fetchall())[0]) for _ in range(ROUNDS)]
        finally:
            server.terminate()
            server.wait()
    own_time, other_time = (sorted(column)[ROUNDS // 2] for column in zip(*times))
    cases = own["all", None][0]
    print(f"{MEASURE}: {cases} cases in {len(own)} groups, the same counts in both")
    print(f"spondyl {own_time * 1e3:.1f} ms, DuckDB {duckdb.__version__} {other_time * 1e3:.1f} ms: "
          f"ratio {own_time / other_time:.2f}")


if __name__ == "__main__":
    main()
