"""The kinds of requests that are compared, each as a URL and as SQL that gives the same resources.

A kind is called with values for one question, which both sides must answer with the same ids in the
same order, or with pgbench's variables for its script; requests.lua makes the URLs from the same
distributions. The tables have an expression index for each question, as an engineer makes them who knows
the questions beforehand. The SQL asks for one row more than the page, as whoever pages does.
"""
import datetime
import urllib.parse

import clinic

FINDING = f"{clinic.OWN}/CodeSystem/finding"

TABLES = """
CREATE TABLE observation (id text COLLATE "C" PRIMARY KEY, last_updated timestamptz NOT NULL, body jsonb NOT NULL);
CREATE TABLE patient (id text COLLATE "C" PRIMARY KEY, last_updated timestamptz NOT NULL, body jsonb NOT NULL);
"""
INDEXES = """
CREATE INDEX ON observation ((body #>> '{subject,reference}'), (body #>> '{code,coding,0,code}'),
    (body ->> 'effectiveDateTime'));
CREATE INDEX ON observation ((body #>> '{code,coding,0,code}'), ((body #>> '{valueQuantity,value}')::numeric), id);
CREATE INDEX ON observation ((body #>> '{encounter,reference}'));
CREATE INDEX ON observation (last_updated, id);
CREATE INDEX ON observation USING gin ((body -> 'code' -> 'coding') jsonb_path_ops);
CREATE INDEX ON patient ((body ->> 'gender'), id);
"""
GENDERS = ["female", "male"]
FIRST = clinic.FIRST_DAY.isoformat()
SUBJECT = "body #>> '{subject,reference}'"
CODE = "body #>> '{code,coding,0,code}'"


def text_array(words, at):
    return "(array['" + "','".join(words) + f"'])[{at}]"


def url(kind, pairs):
    return f"{kind}?{urllib.parse.urlencode(pairs, safe='/:')}"


def patient_code_date(patient, days):
    """The findings of a patient in a span of time: at most 30."""
    sql = f"""SELECT {{what}} FROM observation WHERE {SUBJECT} = 'Patient/p' || lpad({patient}::text, 6, '0')
        AND {CODE} = 'segmental-mobility' AND body ->> 'effectiveDateTime' >= '{FIRST}'
        AND body ->> 'effectiveDateTime' < to_char(date '{FIRST}' + {days}::int, 'YYYY-MM-DD')
        ORDER BY id LIMIT 51"""
    asked = None
    if isinstance(patient, int):
        end = clinic.FIRST_DAY + datetime.timedelta(days=days)
        asked = url("Observation", [("patient", f"Patient/p{patient:06}"), ("code", f"{FINDING}|segmental-mobility"),
                                    ("date", f"ge{FIRST}"), ("date", f"lt{end}"), ("_count", "50")])
    return asked, sql


def code_value(motion, value):
    """A measurement from some value upward: a page of 20."""
    sql = f"""SELECT {{what}} FROM observation WHERE {CODE} = {text_array(clinic.MOTIONS, f"{motion}::int")}
        AND (body #>> '{{valueQuantity,value}}')::numeric >= {value}::numeric
        AND body #>> '{{valueQuantity,code}}' = 'deg' ORDER BY id LIMIT 21"""
    asked = None
    if isinstance(motion, int):
        asked = url("Observation", [("code", f"{FINDING}|{clinic.MOTIONS[motion - 1]}"), ("_count", "20"),
                                    ("value-quantity", f"ge{value}|http://unitsofmeasure.org|deg")])
    return asked, sql


def last_updated(millis):
    """What was stored after a moment, page by page of 50, each after the last row of the one before."""
    sql = f"""SELECT {{what}} FROM observation
        WHERE last_updated >= to_timestamp({millis}::float8 / 1000) ORDER BY last_updated, id LIMIT 51"""
    asked = None
    if isinstance(millis, int):
        moment = datetime.datetime.fromtimestamp(millis / 1000, datetime.timezone.utc)
        moment = moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{millis % 1000:03}Z"
        asked = url("Observation", [("_lastUpdated", f"ge{moment}"), ("_sort", "_lastUpdated"), ("_count", "50")])
    return asked, sql


def has_common(gender, motion):
    """Patients for whom there is an observation that nearly all have: a page of 20."""
    sql = f"""SELECT {{what}} FROM patient p WHERE body ->> 'gender' = {text_array(GENDERS, f"{gender}::int")}
        AND EXISTS (SELECT FROM observation o WHERE o.{SUBJECT} = 'Patient/' || p.id
        AND o.{CODE} = {text_array(clinic.MOTIONS, f"{motion}::int")}) ORDER BY p.id LIMIT 21"""
    asked = None
    if isinstance(gender, int):
        asked = url("Patient", [("gender", GENDERS[gender - 1]), ("_count", "20"),
                                ("_has:Observation:patient:code", f"{FINDING}|{clinic.MOTIONS[motion - 1]}")])
    return asked, sql


def has_rare(patient, visit):
    """The patient for whom there are observations of one encounter."""
    sql = f"""SELECT {{what}} FROM patient p WHERE p.id IN (SELECT substr(o.{SUBJECT}, 9) FROM observation o
        WHERE o.body #>> '{{encounter,reference}}' = 'Encounter/v' || lpad({patient}::text, 6, '0') || '-' || {visit}::text)
        ORDER BY p.id LIMIT 21"""
    asked = None
    if isinstance(patient, int):
        asked = url("Patient", [("_has:Observation:patient:encounter", f"Encounter/v{patient:06}-{visit}"),
                                ("_count", "20")])
    return asked, sql


# The kind, and between which numbers its values lie; Span stands for what depends on the data.
KINDS = [
    ("patient + code + date", patient_code_date, ["patients", (1, 1035)]),
    ("code + value-quantity ge", code_value, [(1, 6), (80, 89)]),
    ("_lastUpdated, paged", last_updated, ["stored"]),
    ("_has from Patient, common", has_common, [(1, 2), (1, 6)]),
    ("_has from Patient, rare", has_rare, ["patients", (0, 4)]),
]


def spans(bounds, data):
    """The bounds of each value for these data: patients, and the moments of storing in milliseconds."""
    of_data = {"patients": (0, data["patients"] - 1), "stored": (data["from"], data["to"])}
    return [of_data[bound] if isinstance(bound, str) else bound for bound in bounds]


def script(kind, bounds, data):
    """The script of a kind for pgbench."""
    names = "abcd"[:len(bounds)]
    sets = [f"\\set {name} random({low}, {high})" for name, (low, high) in zip(names, spans(bounds, data))]
    _, sql = kind(*[f":{name}" for name in names])
    # The expressions of JSON paths have braces, which are no fields to fill.
    return "\n".join(sets + [" ".join(sql.replace("{what}", "body").split()) + ";", ""])
