"""Holds the views that the program brings to tables computed here from the resources themselves, and
its Parquet to what pyarrow reads.

    views.py SPONDYL CLINIC-DIRECTORY WORK-DIRECTORY
"""

import csv
import decimal
import json
import pathlib
import subprocess
import sys

import pyarrow as pa
import pyarrow.parquet as pq

from checks import Checks

OWN = "https://spondyl.example/fhir/"
SYSTEM = OWN + "CodeSystem/"
EPISODE = "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare"
LOINC = "http://loinc.org"
MEASURES = {
    (LOINC, "72514-3"): "pain",
    (LOINC, "82237-9"): "disability",
    (SYSTEM + "finding", "psfs-score"): "function",
    (SYSTEM + "finding", "global-rating-of-change"): "change",
    (SYSTEM + "finding", "self-manipulation-frequency"): "habit",
}


def number(text):
    return decimal.Decimal(str(text))


def extension(element, url):
    return next((one for one in element.get("extension", []) if one["url"] == url), {})


def code(concept, system=None):
    codings = (concept or {}).get("coding", [])
    return next((one["code"] for one in codings if system in (None, one.get("system"))), None)


def key(reference):
    return (reference or {}).get("reference")


def common(resource):
    return {
        "id": f"{resource['resourceType']}/{resource['id']}",
        "patient": key(resource.get("subject")),
        "episode": key(extension(resource, EPISODE).get("valueReference")),
        "visit": key(resource.get("encounter")),
    }


def component(resource, name):
    for one in resource.get("component", []):
        if code(one["code"], SYSTEM + "finding") == name:
            return one
    return {}


def side(site):
    found = extension(site, OWN + "StructureDefinition/laterality")
    return code(found.get("valueCodeableConcept"), SYSTEM + "side")


def segments(resource):
    if resource["resourceType"] != "Observation" or not counts(resource):
        return
    if code(resource["code"], SYSTEM + "finding") != "segmental-mobility":
        return
    value, site = resource.get("valueCodeableConcept"), resource["bodySite"]
    yield {
        **common(resource),
        "effective": resource.get("effectiveDateTime"),
        "status": resource["status"],
        "segment": code(site, SYSTEM + "motion-segment"),
        "side": side(site),
        "test": code(resource.get("method"), SYSTEM + "test-method"),
        "mobility_class": code(value, SYSTEM + "mobility-class"),
        "mobility_grade": code(value, SYSTEM + "mobility-grade"),
        "absent_reason": code(resource.get("dataAbsentReason")),
        "pain_on_test": component(resource, "pain-on-test").get("valueInteger"),
        "end_feel": code(component(resource, "end-feel").get("valueCodeableConcept")),
        "pain_response": code(component(resource, "pain-response").get("valueCodeableConcept")),
        "practitioner": key(resource["performer"][0]),
    }


def counts(resource):
    return resource["status"] not in ("entered-in-error", "cancelled")


def scores(resource):
    if resource["resourceType"] != "Observation" or not counts(resource):
        return
    coding = resource["code"]["coding"][0]
    measure = MEASURES.get((coding["system"], coding["code"]))
    if measure is None:
        return
    quantity = resource.get("valueQuantity", {})
    value = quantity.get("value", resource.get("valueInteger"))
    yield {
        **common(resource),
        "effective": resource.get("effectivePeriod", {}).get("end", resource.get("effectiveDateTime")),
        "status": resource["status"],
        "measure": measure,
        "system": coding["system"],
        "code": coding["code"],
        "value": None if value is None else number(value),
        "unit": quantity.get("code"),
        "absent_reason": code(resource.get("dataAbsentReason")),
        "practitioner": key(resource["performer"][0]),
    }


def treatments(resource):
    if resource["resourceType"] != "Procedure" or not counts(resource):
        return
    technique = code(resource["code"], SYSTEM + "technique")
    if technique is None:
        return
    parts = {
        one["url"]: one
        for one in extension(resource, OWN + "StructureDefinition/dose").get("extension", [])
    }
    part = lambda name: parts.get(name, {})
    word = lambda name: code(part(name).get("valueCodeableConcept"))
    rate, span = part("rate").get("valueQuantity", {}), part("rate").get("valueRange", {})
    low, high = span.get("low", {}), span.get("high", {})
    duration = part("duration").get("valueQuantity", {})
    decimals = lambda quantity: number(quantity["value"]) if "value" in quantity else None
    reason = resource.get("statusReason", {})
    for place, site in enumerate(resource["bodySite"]):
        yield {
            **common(resource),
            "performed": resource.get("performedPeriod", {}).get(
                "start", resource.get("performedDateTime")
            ),
            "status": resource["status"],
            "status_reason": reason.get("text"),
            "technique": technique,
            "site": place,
            "segment": code(site, SYSTEM + "motion-segment"),
            "side": side(site),
            "grade": word("grade"),
            "series": part("series").get("valuePositiveInt"),
            "oscillations": part("oscillations").get("valuePositiveInt"),
            "repetitions": part("repetitions").get("valuePositiveInt"),
            "rate": decimals(rate),
            "rate_low": decimals(low),
            "rate_high": decimals(high),
            "rate_unit": low.get("code") if span else rate.get("code"),
            "duration": decimals(duration),
            "duration_unit": duration.get("code"),
            "movement": word("movement"),
            "direction": word("direction"),
            "contact_point": word("contactPoint"),
            "patient_position": word("patientPosition"),
            "cavitation": part("cavitation").get("valueBoolean"),
            "practitioner": key(resource["performer"][0]["actor"]),
        }


def episodes(resource):
    if resource["resourceType"] != "EpisodeOfCare":
        return
    own = lambda name: extension(resource, OWN + "StructureDefinition/" + name)
    yield {
        "id": f"EpisodeOfCare/{resource['id']}",
        "patient": key(resource["patient"]),
        "status": resource["status"],
        "start": resource["period"]["start"],
        "end": resource["period"].get("end"),
        "end_reason": code(own("episode-end-reason").get("valueCodeableConcept")),
        "planned_visits": own("planned-visits").get("valuePositiveInt"),
        "problem": key(resource["diagnosis"][0]["condition"]),
        "referral": key(resource["referralRequest"][0]),
        "organisation": key(resource["managingOrganization"]),
        "practitioner": key(resource["careManager"]),
    }


def visits(resource):
    if resource["resourceType"] != "Encounter":
        return
    missed = extension(resource, OWN + "StructureDefinition/missed-visit-reason")
    yield {
        "id": f"Encounter/{resource['id']}",
        "patient": key(resource["subject"]),
        "episode": key(resource["episodeOfCare"][0]),
        "status": resource["status"],
        "start": resource["period"]["start"],
        "end": resource["period"].get("end"),
        "missed_reason": code(missed.get("valueCodeableConcept")),
        "practitioner": key(resource["participant"][0]["individual"]),
    }


def adverse_events(resource):
    if resource["resourceType"] != "AdverseEvent":
        return
    course = extension(resource, OWN + "StructureDefinition/adverse-event-course")
    duration = extension(course, "duration").get("valueQuantity", {})
    for suspect in resource.get("suspectEntity", [{}]):
        causality = suspect.get("causality", [{}])[0]
        yield {
            **common(resource),
            "actuality": resource["actuality"],
            "date": resource["date"],
            "event": code(resource["event"]),
            "seriousness": code(resource["seriousness"]),
            "severity": code(
                resource["severity"], "http://terminology.hl7.org/CodeSystem/adverse-event-severity"
            ),
            "class": code(resource["severity"], SYSTEM + "adverse-event-class"),
            "outcome": code(resource.get("outcome")),
            "duration": number(duration["value"]) if duration else None,
            "duration_unit": duration.get("code"),
            "treatment_changed": extension(course, "treatmentChanged").get("valueBoolean"),
            "recorder": key(resource.get("recorder")),
            "suspect": key(suspect.get("instance")),
            "causality": code(causality.get("assessment")),
        }


VIEWS = {
    "segments": segments,
    "scores": scores,
    "treatments": treatments,
    "episodes": episodes,
    "visits": visits,
    "adverse-events": adverse_events,
}
# The columns that are no texts in Parquet.
TYPES = {
    "pain_on_test": pa.int32(),
    "site": pa.int32(),
    "series": pa.int32(),
    "oscillations": pa.int32(),
    "repetitions": pa.int32(),
    "planned_visits": pa.int32(),
    "cavitation": pa.bool_(),
    "treatment_changed": pa.bool_(),
    **{
        name: pa.decimal128(18, 6)
        for name in ("value", "rate", "rate_low", "rate_high", "duration")
    },
}


def text(value):
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def main():
    spondyl, clinic, work = sys.argv[1], sys.argv[2], pathlib.Path(sys.argv[3])
    checks = Checks("views")
    resources = []
    for path in sorted(pathlib.Path(clinic).glob("*.json")):
        bundle = json.loads(path.read_text(), parse_float=str)
        resources += [entry["resource"] for entry in bundle["entry"]]
    listed = subprocess.run([spondyl, "view", "list"], capture_output=True, text=True, check=True)
    names = {line.split()[0] for line in listed.stdout.splitlines()}
    checks.equal("the views that are listed", names, set(VIEWS))
    for name, rows in VIEWS.items():
        expected = [row for resource in resources for row in rows(resource)]
        checks(f"{name} has rows", bool(expected))
        written = {}
        for form in ("csv", "ndjson", "parquet"):
            path = work / f"view-{name}.{form}"
            command = [spondyl, "view", "run", name, "--from", clinic, "--format", form]
            subprocess.run([*command, "--out", path], capture_output=True, check=True)
            written[form] = path
        with open(written["csv"], newline="") as file:
            found = list(csv.DictReader(file))
        told = [{column: text(value) for column, value in row.items()} for row in expected]
        checks.equal(f"{name}: CSV", found, told)
        checks.equal(f"{name}: order of the columns", list(found[0]), list(expected[0]))
        lines = written["ndjson"].read_text().splitlines()
        found = [json.loads(line, parse_float=decimal.Decimal) for line in lines]
        checks.equal(f"{name}: NDJSON", found, expected)
        table = pq.read_table(written["parquet"])
        types = {field.name: field.type for field in table.schema}
        wanted = {column: TYPES.get(column, pa.string()) for column in expected[0]}
        checks.equal(f"{name}: types of Parquet", types, wanted)
        checks.equal(f"{name}: Parquet", table.to_pylist(), expected)
        golden = pathlib.Path(clinic).parents[2] / f"conformance/view/demo/{name}.csv"
        in_order = [row for row in csv.DictReader(open(golden, newline=""))]
        sort = lambda rows: sorted(rows, key=lambda row: json.dumps(row, sort_keys=True))
        checks.equal(f"{name}: the table that is kept", sort(in_order), sort(told))
    checks.end(43)


if __name__ == "__main__":
    main()
