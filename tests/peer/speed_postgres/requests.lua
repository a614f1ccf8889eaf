-- Requests of one kind for wrk, made anew each time from random numbers, as kinds.py describes them; next
-- links are followed.
--   wrk -t2 -c32 -d10s -s requests.lua http://127.0.0.1:PORT -- KIND PATIENTS FROM TO
-- FROM and TO are the milliseconds since 1970 between which the resources were stored.
local FINDING = "https://spondyl.example/fhir/CodeSystem/finding%7C"
local MOTIONS = { "cervical-flexion", "cervical-extension", "cervical-lateral-flexion-left",
  "cervical-lateral-flexion-right", "cervical-rotation-left", "cervical-rotation-right" }
local FIRST_DAY = 1672617600
-- How many pages are read one after the other.
local PAGES = 10

local threads = 0
function setup(thread)
  threads = threads + 1
  thread:set("number", threads)
end

local kinds, kind, patients, from, to = {}, nil, nil, nil, nil
local waiting, followed = {}, 0

local function moment(millis)
  return os.date("!%Y-%m-%dT%H:%M:%S", math.floor(millis / 1000)) .. string.format(".%03dZ", millis % 1000)
end

function kinds.patient_code_date()
  local day = os.date("!%Y-%m-%d", FIRST_DAY + 86400 * math.random(1, 1035))
  return string.format("Observation?patient=Patient/p%06d&code=%ssegmental-mobility&date=ge2023-01-02&date=lt%s&_count=50",
    math.random(0, patients - 1), FINDING, day)
end

function kinds.code_value()
  return string.format("Observation?code=%s%s&value-quantity=ge%d%%7Chttp://unitsofmeasure.org%%7Cdeg&_count=20",
    FINDING, MOTIONS[math.random(6)], math.random(80, 89))
end

function kinds.last_updated()
  local next_page = table.remove(waiting, 1)
  if next_page then return next_page end
  return "Observation?_lastUpdated=ge" .. moment(from + math.floor((to - from) * math.random()))
    .. "&_sort=_lastUpdated&_count=50"
end

function kinds.has_common()
  return string.format("Patient?gender=%s&_has:Observation:patient:code=%s%s&_count=20",
    math.random(2) == 1 and "female" or "male", FINDING, MOTIONS[math.random(6)])
end

function kinds.has_rare()
  return string.format("Patient?_has:Observation:patient:encounter=Encounter/v%06d-%d&_count=20",
    math.random(0, patients - 1), math.random(0, 4))
end

function init(args)
  kind, patients, from, to = args[1], tonumber(args[2]), tonumber(args[3]), tonumber(args[4])
  math.randomseed(os.time() * 10 + number)
  if kind ~= "last_updated" then response = nil end
end

function request()
  return wrk.format("GET", "/fhir/" .. kinds[kind](), { Accept = "application/fhir+json", Host = "localhost" })
end

function response(_, _, body)
  local link = body:match('"relation":"next","url":"[^"]-/fhir/([^"]+)"')
  followed = followed + 1
  if link and followed % PAGES ~= 0 then waiting[#waiting + 1] = link end
end

function done(summary, latency)
  local errors = summary.errors
  local failed = errors.status + errors.connect + errors.read + errors.write + errors.timeout
  io.write(string.format("RESULT %d %f %f %f %d\n", summary.requests, summary.duration / 1e6,
    latency:percentile(50) / 1000, latency:percentile(99) / 1000, failed))
end
