#!/usr/bin/env python3
"""A general FHIR client library (fhirpy, from PyPI) against a running server.

    client.py BASE

Creates, reads, updates, searches, pages and deletes as a clinic system would.
"""
import sys
import uuid

from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome, ResourceNotFound

PASSED, FAILED = [], []


def check(name, holds):
    (PASSED if holds else FAILED).append(name)
    if not holds:
        print(f"FAIL {name}")


def refused(action):
    try:
        action()
    except (OperationOutcome, ResourceNotFound):
        return True
    return False


def main():
    client = SyncFHIRClient(sys.argv[1].rstrip("/"))
    system = f"https://spondyl.example/peer/{uuid.uuid4()}"
    made = []
    for number in range(7):
        patient = client.resource(
            "Patient",
            identifier=[{"system": system, "value": str(number)}],
            name=[{"family": f"Peer{number}", "given": ["Invented"]}],
            birthDate="1980-01-0%d" % (number + 1),
        )
        patient.save()
        made.append(patient)
    first = made[0]
    check("create gives id and version", bool(first.id) and first["meta"]["versionId"] == "1")
    read = client.reference("Patient", first.id).to_resource()
    check("read gives what was sent", read["name"][0]["family"] == "Peer0")
    first["active"] = True
    first.save()
    check("update makes version 2", first["meta"]["versionId"] == "2")
    ours = client.resources("Patient").search(identifier=f"{system}|")
    check("search by identifier", len(ours.fetch_all()) == 7)
    check("paging by twos gives all once",
          sorted(p.id for p in ours.limit(2).fetch_all()) == sorted(p.id for p in made))
    one = client.resources("Patient").search(identifier=f"{system}|3")
    check("search one", [p["name"][0]["family"] for p in one.fetch_all()] == ["Peer3"])
    later = ours.search(birthdate__ge="1980-01-05")
    check("search by date prefix", len(later.fetch_all()) == 3)
    named = ours.search(family="peer2")
    check("search by string, other case", len(named.fetch_all()) == 1)
    bad = client.resource("Patient", gender="unheard-of")
    check("an invalid resource is refused", refused(bad.save))
    for patient in made:
        patient.delete()
    check("deleted is gone", refused(lambda: client.reference("Patient", first.id).to_resource()))
    check("deleted is not found by search", ours.fetch_all() == [])
    print(f"client: {len(PASSED)} passed, {len(FAILED)} failed")
    sys.exit(0 if PASSED and not FAILED else 1)


if __name__ == "__main__":
    main()
