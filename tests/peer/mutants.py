#!/usr/bin/env python3
"""Mutants judged by our validator and by two of other origin; every disagreement explained.

    mutants.py SPONDYL MUTANTS SCHEMA EXPLANATIONS

SPONDYL is the program; MUTANTS is what `cargo test --test mutants` writes: a line for each instance,
with the kind of change and the element; SCHEMA is the JSON Schema of R4 (see models.py);
EXPLANATIONS says for each kind of disagreement why it is one. A disagreement that no explanation
covers fails, and so does an explanation with fewer cases than it has, or with none. BLESS=1 writes
the counts anew.
"""
import json
import os
import re
import subprocess
import sys
import tempfile

from models import Schema, model_faults


def ours(spondyl, cases):
    """The numbers of the cases that have errors."""
    with tempfile.NamedTemporaryFile("w", suffix=".ndjson", encoding="utf-8") as file:
        for case in cases:
            file.write(json.dumps(case["resource"], ensure_ascii=False) + "\n")
        file.flush()
        done = subprocess.run([spondyl, "validate", "--format", "json", file.name],
                              capture_output=True, text=True)
    outcomes = [json.loads(line) for line in done.stdout.splitlines()]
    if len(outcomes) != len(cases):
        sys.exit(f"the program did not check them all: {done.stderr[-500:]}")
    return {number for number, outcome in enumerate(outcomes)
            if any(issue["severity"] in ("error", "fatal") for issue in outcome["issue"])}


def peers(schema, case):
    """What each peer has against the instance."""
    resource = case["resource"]
    try:
        against = list(schema.check(resource))
    except Exception as error:  # the schema's own faults, such as a type it does not have
        against = [f"cannot be judged: {error!r}"]
    yield "schema", against
    yield "models", list(model_faults(resource))


def covers(explanation, found):
    return all(re.fullmatch(explanation.get(name, ".*"), found[name], re.DOTALL)
               for name in ("peer", "verdict", "change", "element", "said"))


def disagreements(spondyl, cases, schema):
    refused = ours(spondyl, cases)
    for number, case in enumerate(cases):
        we_refuse = number in refused
        for peer, faults in peers(schema, case):
            if bool(faults) == we_refuse:
                continue
            verdict = "only we refuse" if we_refuse else "only the peer refuses"
            yield {"peer": peer, "verdict": verdict, "change": case["change"],
                   "element": case["element"], "said": "; ".join(faults)[:300],
                   "resource": case["resource"]}


def main():
    spondyl, mutants, schema, path = sys.argv[1:]
    with open(mutants, encoding="utf-8") as file:
        cases = [json.loads(line) for line in file]
    with open(path, encoding="utf-8") as file:
        explanations = json.load(file)
    counts = [0] * len(explanations)
    unexplained = []
    for found in disagreements(spondyl, cases, Schema(schema)):
        by = next((i for i, e in enumerate(explanations) if covers(e, found)), None)
        if by is None:
            unexplained.append(found)
        else:
            counts[by] += 1
    for found in unexplained[:int(os.environ.get("SHOW", "20"))]:
        print("FAIL unexplained:", json.dumps(found, ensure_ascii=False))
    failed = len(unexplained)
    for explanation, count in zip(explanations, counts):
        if os.environ.get("BLESS"):
            explanation["count"] = count
        if not 0 < count <= explanation["count"]:
            failed += 1
            print(f"FAIL {count} cases, not {explanation['count']}: {explanation['reason']}")
    if os.environ.get("BLESS"):
        with open(path, "w", encoding="utf-8") as file:
            json.dump(explanations, file, indent=1, ensure_ascii=False)
            file.write("\n")
    print(f"mutants: {2 * len(cases)} verdicts compared, {sum(counts)} differ with a reason")
    print(f"mutants: {2 * len(cases) - failed} passed, {failed} failed")
    sys.exit(0 if cases and not failed else 1)


if __name__ == "__main__":
    main()
