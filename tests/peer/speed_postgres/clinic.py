"""A generated clinic: Observations of three profiles, fifty for each patient, as lines of JSON.

The same number always gives the same lines, so a run can be repeated. All of it is made from numbers: no
person, place or date of a real record. Ids are spread like the UUIDs that servers give, so that the
order of ids says nothing of the order of storing. Shapes are those of schemas/profile.
"""
import datetime
import hashlib
import json
import random

OWN = "https://spondyl.example/fhir"
LOINC = "http://loinc.org"
PAIN = "72514-3"
MOTIONS = ["cervical-flexion", "cervical-extension", "cervical-lateral-flexion-left",
           "cervical-lateral-flexion-right", "cervical-rotation-left", "cervical-rotation-right"]
SEGMENTS = ["C0-C1", "C1-C2", "C2-C3", "C3-C4", "C4-C5", "C5-C6", "C6-C7", "C7-T1", "T1-T2", "T2-T3"]
CLASSES = ["hypomobile"] * 3 + ["normal"] + ["hypermobile"] * 3
METHODS = ["ppivm-flexion", "ppivm-extension", "paivm-central-pa", "paivm-unilateral-pa"]
FIRST_DAY = datetime.date(2023, 1, 2)
DAYS = 1000
VISITS = 5
EACH = VISITS * 10


def patient_id(number):
    return f"p{number:06}"


def patients(count):
    for number in range(count):
        yield {"resourceType": "Patient", "id": patient_id(number),
               "identifier": [{"system": "urn:oid:2.16.840.1.113883.19.5", "value": str(number)}],
               "gender": "female" if number % 2 else "male", "birthDate": f"{1940 + number % 65}-06-15"}


def observations(count):
    """The observations of count / EACH patients, visit by visit, as time went."""
    chance = random.Random(20260302)
    many = count // EACH
    visits = []
    for number in range(many):
        first = chance.randrange(DAYS)
        visits.extend((first + 7 * visit, number, visit) for visit in range(VISITS))
    visits.sort()
    made = 0
    for day, number, visit in visits:
        when = FIRST_DAY + datetime.timedelta(days=day)
        minute = chance.randrange(9 * 60, 17 * 60)
        for position in range(10):
            made += 1
            at = f"{when}T{minute // 60:02}:{minute % 60:02}:{position:02}Z"
            yield observation(chance, made, (number, visit, position), at)


def observation(chance, made, place, at):
    number, visit, position = place
    link = {"url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
            "valueReference": {"reference": f"EpisodeOfCare/e{number:06}"}}
    common = {
        "subject": {"reference": f"Patient/{patient_id(number)}"},
        "encounter": {"reference": f"Encounter/v{number:06}-{visit}"},
        "effectiveDateTime": at,
        "performer": [{"reference": f"Practitioner/t{number % 20}"}],
    }
    if position == 0:
        own = pain(chance)
    elif position < 4:
        own = motion(chance)
    else:
        own = segment(chance, position)
    own, code, text, category, profile = own
    return {
        "resourceType": "Observation",
        "id": hashlib.sha256(b"%d" % made).hexdigest()[:32],
        "meta": {"profile": [f"{OWN}/StructureDefinition/{profile}"]},
        "text": {"status": "generated",
                 "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{text}</p></div>'},
        "extension": [link],
        "status": "final",
        "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category",
                                  "code": category}]}],
        "code": {"coding": [code]},
        **common,
        **own,
    }


def coding(system, code):
    return {"system": f"{OWN}/CodeSystem/{system}", "code": code}


def concept(system, code):
    return {"coding": [coding(system, code)]}


def quantity(value, unit):
    return {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}


def pain(chance):
    value = chance.randint(0, 10)
    own = {"valueQuantity": quantity(value, "{score}")}
    return own, {"system": LOINC, "code": PAIN}, f"Pain {value} of 10", "survey", "pain-intensity"


def motion(chance):
    code, value = chance.choice(MOTIONS), chance.randint(20, 89)
    own = {"valueQuantity": quantity(value, "deg"), "method": concept("motion-mode", "active")}
    return own, coding("finding", code), f"{code}, active: {value} degrees", "exam", "range-of-motion"


def segment(chance, position):
    grade, side, site = chance.randrange(7), chance.choice(["left", "right"]), SEGMENTS[position]
    body_site = concept("motion-segment", site)
    body_site["extension"] = [{"url": f"{OWN}/StructureDefinition/laterality",
                               "valueCodeableConcept": concept("side", side)}]
    value = {"coding": [coding("mobility-class", CLASSES[grade]), coding("mobility-grade", str(grade))]}
    own = {"valueCodeableConcept": value, "bodySite": body_site,
           "method": concept("test-method", chance.choice(METHODS))}
    text = f"{site} {side}: grade {grade}, {CLASSES[grade]}"
    return own, coding("finding", "segmental-mobility"), text, "exam", "segmental-mobility"


def line(resource):
    return json.dumps(resource, separators=(",", ":"), ensure_ascii=False)


def write(path, resources):
    """One line for each; how many."""
    count = 0
    with open(path, "w", encoding="utf-8") as file:
        for resource in resources:
            file.write(line(resource) + "\n")
            count += 1
    return count
