"""Holds every indicator of the audit to a second computation: pandas over a generated clinic.

    audit.py SPONDYL [PATIENTS]

The program makes a clinic, stores it and serves it; every Measure that ships is evaluated over HTTP
for two periods. The same resources, as NDJSON, are read here and counted by what the code systems
audit-criterion and audit-stratifier say in words. Nothing is shared with the program but those words,
the Measures and the published thresholds. Every count must be equal: populations, missing cases,
strata; figures to a relative 1e-9.
"""
import re
import sys
from datetime import date

import pandas as pd

from audit_clinic import Program, evaluate, figure, measures
from audit_facts import criteria, facts, quantities, strata
from checks import Checks

PERIODS = [("2025-01-01", "2026-12-31"), ("2025-04-01", "2025-06-30")]
MISSING = pd.NA


def answer(expression, table):
    """The answers of an expression for every episode, by pandas' own three-valued logic."""
    words = re.findall(r"[a-z][a-z-]*|\(|\)|\d+", expression)
    python, at = [], 0
    joined = {"and": "&", "or": "|", "not": "~", "(": "(", ")": ")"}
    while at < len(words):
        word = words[at]
        if word in joined:
            python.append(joined[word])
        elif words[at + 1 : at + 2] == ["("] and words[at + 2].isdigit():
            python.append(f"of({word!r}, {words[at + 2]})")
            at += 3
        else:
            python.append(f"of({word!r})")
        at += 1
    of = lambda code, number=0: criteria[code](table, number).astype("boolean")
    return eval(" ".join(python), {"of": of})  # only words of our own code system get here


def is_yes(answers):
    return answers.fillna(False).astype(bool)


def counted(measure, table):
    """Populations, missing cases and figure of one group of episodes."""
    code = lambda part: part["code"]["coding"][0]["code"]
    scoring = measure["scoring"]["coding"][0]["code"]
    group = measure["group"][0]
    observed = [p["criteria"]["expression"] for p in group["population"]
                if code(p) == "measure-observation"]
    of = {code(p): answer(p["criteria"]["expression"], table) for p in group["population"]
          if code(p) != "measure-observation"}
    none = pd.Series(False, index=table.index, dtype="boolean")
    yes = lambda name: is_yes(of.get(name, none))
    initial = yes("initial-population")
    out_of = "measure-population" if scoring == "continuous-variable" else "denominator"
    base = initial & yes(out_of)
    missing = initial & of[out_of].isna()
    excluded = base & yes(f"{out_of}-exclusion")
    left = base & ~excluded
    found = {"initial-population": initial, out_of: base}
    if f"{out_of}-exclusion" in of:
        found[f"{out_of}-exclusion"] = excluded
    told = {}
    values = {name: quantities[name](table) for name in observed}
    if scoring == "continuous-variable":
        value = values[observed[0]]
        missing |= left & value.isna()
        known = value[left & value.notna()].astype(float)
        told["n"] = len(known) or None
        if len(known):
            told.update({"median": known.median(), "min": known.min(), "max": known.max(),
                         "first-quartile": known.quantile(0.25),
                         "third-quartile": known.quantile(0.75)})
        if "change" in observed[0] and len(known) > 1:
            told["mean"], told["deviation"] = known.mean(), known.std()
    else:
        numerator = left & yes("numerator")
        unknown = left & of["numerator"].isna()
        found["numerator"] = numerator
        if scoring == "ratio":
            missing |= left & pd.concat([v.isna() for v in values.values()], axis=1).any(axis=1)
            told["events"] = int(values[observed[0]][numerator].sum())
            told["exposure"] = float(values[observed[1]][left].sum())
        else:
            exception = left & ~numerator & yes("denominator-exception")
            if "denominator-exception" in of:
                found["denominator-exception"] = exception
            unknown &= ~exception
            told["of"] = int((left & ~exception & ~unknown).sum())
            told["count"] = int(numerator.sum())
            if told["of"]:
                held = told["of"] + int((unknown | missing).sum())
                told["if-none"] = told["count"] / held
                told["if-each"] = (told["count"] + held - told["of"]) / held
        missing |= unknown
    told["missing"] = int(missing.sum())
    return {name: int(members.sum()) for name, members in found.items()}, told


def compare(check, name, reported, measure, table):
    """One group or stratum of a report beside the own counts; how many counts were compared."""
    populations, told = counted(measure, table)
    found = {p["code"]["coding"][0]["code"]: p.get("count") for p in reported.get("population", [])}
    found.pop("measure-observation", None)
    check.equal(f"{name} populations", found, populations)
    figures = figure(reported)
    for part, value in told.items():
        seen = figures.get(part)
        if seen is None or value is None:
            near = seen is value
        else:
            near = abs(seen - value) <= 1e-9 * max(1, abs(value))
        check(f"{name} {part}", near, f"{seen!r}, expected {value!r}")
    return len(populations) + len(told)


def main():
    spondyl, patients = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 2000
    check, compared = Checks("audit"), 0
    with Program(spondyl, patients) as (base, resources):
        table = facts(resources)
        check("enough episodes", len(table) >= patients, len(table))
        for measure in measures():
            for start, end in PERIODS:
                within = table["end"].map(lambda day: day is not None and start <= day <= end)
                cases = table[within]
                report = evaluate(base, measure["id"], start, end)
                name = f"{measure['id']} {start}"
                group = report["group"][0]
                compared += compare(check, name, group, measure, cases)
                for split in group.get("stratifier", []):
                    code = split["code"][0]["coding"][0]["code"]
                    values = strata[code](cases).map(lambda value: value if isinstance(value, str) else "UNK")
                    reported = {}
                    for stratum in split["stratum"]:
                        value = stratum["value"]
                        value = value.get("text") or value["coding"][0]["code"]
                        reported[value] = stratum
                    check.equal(f"{name} by {code}", sorted(reported), sorted(set(values)))
                    for value, stratum in reported.items():
                        rows = cases[values == value]
                        compared += compare(check, f"{name} {code} {value}", stratum, measure, rows)
    print(f"audit: {len(table)} episodes, {compared} counts and figures compared ({date.today()})")
    check.end(least=1000)


if __name__ == "__main__":
    main()
