"""Checks that are counted, and the invented data that the clients work with."""
import sys
import uuid


class Checks:
    """What held and what did not; each name once."""

    def __init__(self, name):
        self.name, self.passed, self.failed = name, 0, 0

    def __call__(self, name, holds, told=""):
        if holds:
            self.passed += 1
        else:
            self.failed += 1
            print(f"FAIL {self.name}: {name} {told}")

    def equal(self, name, found, expected):
        self(name, found == expected, f"{found!r}, expected {expected!r}")

    def end(self, least):
        """Ends the program; with less than so many checks something was left out."""
        print(f"{self.name}: {self.passed} passed, {self.failed} failed")
        sys.exit(0 if self.failed == 0 and self.passed >= least else 1)


SYSTEM = f"https://spondyl.example/peer/{uuid.uuid4()}"
EPISODE = "demo-aldis-episode"
PATIENT = "demo-aldis"


def patient(number, **more):
    return {
        "resourceType": "Patient",
        "identifier": [{"system": SYSTEM, "value": str(number)}],
        "name": [{"family": f"Peer{number}", "given": ["Invented"]}],
        "birthDate": f"1980-01-0{number % 9 + 1}",
        **more,
    }


def observation(subject, **more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "72514-3"}]},
        "subject": {"reference": subject},
        "effectiveDateTime": "2026-03-02T10:00:00Z",
        "valueQuantity": {"value": 4, "unit": "{score}", "code": "{score}",
                          "system": "http://unitsofmeasure.org"},
        **more,
    }


def transaction(subject_urn, number):
    """A patient and an observation of it, referring to it by its urn."""
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"fullUrl": subject_urn, "resource": patient(number),
             "request": {"method": "POST", "url": "Patient"}},
            {"resource": observation(subject_urn),
             "request": {"method": "POST", "url": "Observation"}},
        ],
    }


def fhirpath_patch(path, kind, value):
    """A FHIRPath Patch that replaces one element."""
    part = [{"name": "type", "valueCode": "replace"}, {"name": "path", "valueString": path},
            {"name": "value", f"value{kind}": value}]
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": part}]}
