#!/usr/bin/env python3
"""The same Observation validated by the program and by Python's FHIR model libraries: the ratio.

    target/peer/venv/bin/python tests/peer/speed.py target/release/spondyl

Needs the environment that tests/peer/run makes, with requirements-speed.txt beside it. The instance is
one of the demo clinic, of about 1.2 kB, without narrative. The libraries read its JSON text into
their models, which is structure only. The program reads the same text from a file of many lines and
holds it to structure, profile, bindings and invariants; its start and the loading of definitions are
taken off by a run over one line. Median of five.
"""
import importlib
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
DEMO = ROOT / "src/demo/clinic/01-aldis-improved.json"
LINES = 40_000


def instance():
    bundle = json.loads(DEMO.read_text(encoding="utf-8"))
    found = next(entry["resource"] for entry in bundle["entry"]
                 if entry["resource"]["id"] == "demo-aldis-v1-seg-C0-C1-both")
    del found["text"]
    return json.dumps(found, separators=(",", ":"), ensure_ascii=False)


def fhir_resources(text):
    model = importlib.import_module("fhir.resources.R4B.observation").Observation
    return lambda: model.model_validate_json(text)


def fhirclient(text):
    model = importlib.import_module("fhirclient.models.observation").Observation
    return lambda: model(json.loads(text))


def fhirpy_types(text):
    model = importlib.import_module("fhirpy_types_r4b").Observation
    return lambda: model.model_validate_json(text)


def median_time(work, calls):
    times = []
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(calls):
            work()
        times.append((time.perf_counter() - start) / calls)
    return statistics.median(times)


def ours(spondyl, text):
    def run(lines):
        with tempfile.NamedTemporaryFile("w", suffix=".ndjson", encoding="utf-8") as file:
            file.write((text + "\n") * lines)
            file.flush()
            start = time.perf_counter()
            done = subprocess.run([spondyl, "validate", "--quiet", file.name], capture_output=True, text=True)
            if done.returncode != 0:
                sys.exit(done.stdout[:500] + done.stderr[:500])
            return time.perf_counter() - start

    run(1)
    few = statistics.median(run(1) for _ in range(5))
    many = statistics.median(run(LINES + 1) for _ in range(5))
    return (many - few) / LINES


def main():
    text = instance()
    our_time = ours(sys.argv[1], text)
    cores = os.cpu_count()
    print(f"spondyl: {our_time * 1e6:.1f} us an instance of {len(text)} bytes, {cores} cores")
    for name, make in (("fhir.resources", fhir_resources), ("fhirclient", fhirclient),
                       ("fhirpy-types-r4b", fhirpy_types)):
        try:
            work = make(text)
            work()
        except ImportError as error:
            print(f"{name}: not installed ({error})")
            continue
        peer = median_time(work, 300)
        print(f"{name}: {peer * 1e6:.1f} us; ratio {peer / our_time:.0f}")


if __name__ == "__main__":
    main()
