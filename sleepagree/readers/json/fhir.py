"""HL7 FHIR Observations of sleep stages, alone, in a list, in a Bundle, or one a line.

One Observation is one interval: its ``effectivePeriod`` says from when to when, its
``valueCodeableConcept`` which stage. ``inBed`` is a container around the others; it is neither a stage nor a
lights mark, so it is kept as a note. Subjects, performers, devices and free texts are compared to tell people
and sources apart, and never kept or shown.

References
----------
.. [1] HL7 Personal Health Record Format implementation guide, 1.0.0-ballot2 (trial use): profile pghd-sleep
   and code system http://hl7.org/fhir/uv/phr/CodeSystem/sleep-analysis-codes.
.. [2] HL7 FHIR R4, Observation and the data type Period.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Final, NamedTuple

from sleepagree.caution import Note, NoteKind, OwnWord
from sleepagree.mapping.words import UNSCORED, fold_label, fold_table, recognise_label
from sleepagree.readers.json.fields import Field, JsonDocument, read_instant
from sleepagree.readers.json.intervals import Gathered, StagedInterval, refuse_moment
from sleepagree.readers.layout import Layout

CODE_SYSTEM: Final = "http://hl7.org/fhir/uv/phr/CodeSystem/sleep-analysis-codes"
OBSERVATION_CODE: Final = "sleepAnalysis"  # of the code system observation-pghd-codes of [1]_
IN_BED: Final = "inBed"  # of CODE_SYSTEM
DATA_ABSENT: Final = "data absent"

#: Code of [1]_ -> stage; these and ``inBed`` are all that its code system defines. asleepCore is "light or
#: intermediate" sleep there. No other reader knows these codes.
STAGES: Final = {
    "awake": "W",
    "asleepREM": "R",
    "asleepCore": "light",
    "asleepDeep": "N3",
    "asleepUnspecified": "sleep",
    DATA_ABSENT: UNSCORED,
}

_VALID_STATUS: Final = ("final", "amended", "corrected", "preliminary", "registered", "unknown")
_VOID_STATUS: Final = ("entered-in-error", "cancelled")
#: Components of the profile pghd-sleep-episode and LOINC codes in a value set, both of [1]_: a night summed up.
_TOTALS: Final = (
    *("totalSleepTime", "coreSleepDuration", "deepSleepDuration", "remSleepDuration", "wakeAfterSleepOnset"),
    *("93829-0", "93830-8", "93831-6", "93832-4"),
)
_OF_VERSION: Final = re.compile(r"/_history/[^/]*$")
_TYPE_NAME: Final = re.compile(r"[A-Z][A-Za-z]{2,39}", re.ASCII)


def is_fhir(root: Field) -> bool:
    """Whether a JSON value is a FHIR resource or a list of them."""
    return any(value.has("resourceType") for value in root.parts())


def gather_fhir(document: JsonDocument, *, layout: Layout) -> Gathered:
    """Gather sleep-stage Observations.

    Parameters
    ----------
    document : JsonDocument
        Bundle, Observation, list of resources, or one resource a line.
    layout : Layout
        Stages of codes that the code system does not know; zone; what the device can report.

    Raises
    ------
    FileFormatError
        With the path of the field (``entry[3].effectivePeriod.end``) that is missing or wrong, or when the
        file holds totals only. Paths leave out the step ``resource``.
    """
    gathered = Gathered(document.fields[0].path, layout, STAGES, "device or performer")
    statuses: Counter[str] = Counter()
    systems: Counter[str] = Counter()
    totals = 0
    for resource, base in _resources(document, gathered):
        kind = resource.need("resourceType", "the name of a resource type").text()
        if kind != "Observation":
            known = _TYPE_NAME.fullmatch(kind)
            gathered.ignored[f"resource {kind}" if known else "resource of unknown type"] += 1
        elif _is_sleep_stage(resource):
            statuses[_valid_status(resource)] += 1
            if (subject := resource.get("subject")) is not None:
                _refuse_other_person(subject, _who(subject.value, resource, base), gathered)
            _add_observation(resource, _source(resource, base), gathered, systems)
        elif _is_total(resource):
            totals += 1
        else:
            gathered.ignored["Observation of another kind"] += 1
    if not gathered.intervals:
        parts = [f"{totals} summaries of a night"] if totals else []
        parts += [f"{len(gathered.around)} in-bed intervals"] if gathered.around else []
        parts += [f"{count} times {what}" for what, count in sorted(gathered.ignored.items())]
        raise gathered.no_sequence(parts, f"Observations with the code {OBSERVATION_CODE}, one an interval")
    if totals:
        gathered.ignored["summary of a night (totals)"] = totals
    for word, count in sorted(statuses.items()):
        if word in ("preliminary", "registered", "unknown"):
            gathered.notes.append(Note.of(NoteKind.STATUS_NOT_FINAL, count=count, status=word))
    for system, count in sorted(systems.items()):
        gathered.notes.append(Note.of(NoteKind.OTHER_CODE_SYSTEM, count=count, system=OwnWord(system)))
    return gathered


# --- lists, Bundles and histories -------------------------------------------------------------------------


class _Version(NamedTuple):
    """A resource as it was at some time; None for one that was deleted then."""

    resource: Field | None
    url: str  # empty where nothing tells which resource it is of
    base: str  # of the server, where that is told
    in_history: bool


def _resources(document: JsonDocument, gathered: Gathered) -> Iterator[tuple[Field, str]]:
    """Yield the resources that hold, each with the base of its server: of several versions the newest."""
    pages: list[Field] = []
    versions = [version for root in document.fields for version in _versions(root, pages)]
    for page, relations in ((pages[0], ("prev", "previous")), (pages[-1], ("next",))) if pages else ():
        if any(relation in relations for relation in _relations(page)):
            problem, found = "this is one page of a search: others are not in the file", f"a link '{relations[-1]}'"
            remedy = "Put all pages into one file, a list of Bundles or one a line, in their order."
            page.fail(problem, found=found, expected="all pages", remedy=remedy)
    by_url: dict[str, list[_Version]] = {}
    for version in versions:
        by_url.setdefault(version.url, []).append(version)
    several = [others for url, others in by_url.items() if url and len(others) > 1]
    left_out = {id(version) for others in several for version in _earlier(others)}
    for version in versions:
        if version.resource is None or id(version) in left_out:
            gathered.ignored["deleted or earlier version"] += 1
        else:
            yield version.resource, version.base


def _versions(holder: Field, pages: list[Field], entry: Field | None = None, kind: object = "") -> Iterator[_Version]:
    """Yield what a resource, a list or a Bundle holds, inside each other as they may be."""
    for part in holder.parts():
        if part.mapping().get("resourceType") != "Bundle":
            yield _version(part, entry, in_history=kind == "history")
            continue
        pages.append(part)
        entries = part.need("entry", "a list of resources", "The Bundle holds no entry; export it again.")
        for inner in entries.elements():
            _refuse_modifier(inner)
            request = inner.get("request")
            if not inner.has("resource") and request is not None and request.mapping().get("method") == "DELETE":
                yield _Version(None, inner.need("fullUrl", "which resource was deleted").text(), "", in_history=True)
                continue
            resource = Field(inner.need("resource", "a resource").value, inner.place, inner.path)
            yield from _versions(resource, pages, inner, part.mapping().get("type"))


def _version(resource: Field, entry: Field | None, *, in_history: bool) -> _Version:
    kind, name = (resource.mapping().get(key) for key in ("resourceType", "id"))
    if not isinstance(name, str):
        return _Version(resource, "", "", in_history)
    url = None if entry is None else entry.mapping().get("fullUrl")
    tail = f"{kind}/{name}"
    base = url.removesuffix(tail) if isinstance(url, str) and url.endswith(f"/{tail}") else ""
    return _Version(resource, base + tail, base, in_history)


def _relations(page: Field) -> list[object]:
    links = page.get("link")
    return [] if links is None else [link.mapping().get("relation") for link in links.elements()]


def _earlier(versions: list[_Version]) -> list[_Version]:
    """Return the versions of one resource that another follows; the entries of a history are the newest first."""
    stages = [version.resource for version in versions if version.resource and _is_sleep_stage(version.resource)]
    if not stages:
        return []
    newest = versions
    for when in (_updated, _number):
        moments = [moment for version in versions if (moment := when(version.resource)) is not None]
        if len(moments) == len(versions):
            newest = [version for version, at in zip(versions, moments, strict=True) if at == max(moments)]
            break
    if all(version.in_history for version in versions):
        newest = versions[:1] if versions[0] in newest else []
    # one version may stand there several times
    if not newest or any(_value(version) != _value(newest[0]) for version in newest):
        problem, expected = "this Observation stands here in several versions", "which of them is the newest"
        remedy = "Keep the newest in the file, or its meta.lastUpdated or meta.versionId in each."
        stages[-1].fail(problem, found="nothing that tells, or what contradicts", expected=expected, remedy=remedy)
    return [version for version in versions if not any(version is last for last in newest)]


def _value(version: _Version) -> object:
    return None if version.resource is None else version.resource.value


def _updated(resource: Field | None) -> float | None:
    """Return when a version was made."""
    meta = None if resource is None else resource.get("meta")
    told = None if meta is None else meta.get("lastUpdated")
    return None if told is None else read_instant(told, naive_allowed=False).timestamp()


def _number(resource: Field | None) -> float | None:
    """Return the number of a version, where versions have numbers."""
    meta = None if resource is None else resource.get("meta")
    told = None if meta is None else meta.mapping().get("versionId")
    return int(told) if isinstance(told, str) and re.fullmatch(r"\d{1,15}", told, re.ASCII) else None


def _refuse_modifier(holder: Field) -> None:
    """Refuse what says of itself that whoever does not know a certain extension must not use it."""
    if (modifier := holder.get("modifierExtension")) is not None:
        problem, expected = "an extension that changes what this says is not known here", "no modifierExtension"
        remedy = "Look at what it says; if it does not matter here, take it out, or else the whole Observation."
        modifier.fail(problem, expected=expected, remedy=remedy)


# --- what an Observation is about -------------------------------------------------------------------------


def _loose_codings(concept: object) -> Iterator[tuple[str, str]]:
    """Yield (system, code) of a CodeableConcept that need not be well formed: other people's resources."""
    codings = concept.get("coding") if isinstance(concept, dict) else None
    for coding in codings if isinstance(codings, list) else ():
        if isinstance(coding, dict):
            system, code = coding.get("system"), coding.get("code")
            yield system if isinstance(system, str) else "", code if isinstance(code, str) else ""


def _is_sleep_stage(resource: Field) -> bool:
    observation = resource.mapping()
    return any(code == OBSERVATION_CODE for _, code in _loose_codings(observation.get("code"))) or any(
        system == CODE_SYSTEM for system, _ in _loose_codings(observation.get("valueCodeableConcept"))
    )


def _is_total(resource: Field) -> bool:
    observation = resource.mapping()
    components = observation.get("component")
    parts = [observation, *(components if isinstance(components, list) else ())]
    concepts = [part.get("code") for part in parts if isinstance(part, dict)]
    return any(code in _TOTALS for concept in concepts for _, code in _loose_codings(concept))


def _valid_status(resource: Field) -> str:
    expected = "one of " + ", ".join(_VALID_STATUS)
    status = resource.need("status", expected)
    word = status.text(expected)
    if word in _VOID_STATUS:
        remedy = "Take it out of the file; what it says does not hold."
        status.fail("this Observation was withdrawn", found=word, expected=expected, remedy=remedy)
    if word not in _VALID_STATUS:
        shown = word if re.fullmatch(r"[A-Za-z-]{1,20}", word, re.ASCII) else None
        status.fail("this is no status of an Observation", found=shown, expected=expected)
    return word


def _who(reference: object, resource: Field, base: str) -> str:
    """Return a key that is equal for equal references; the name to show does not count where an id stands.

    A reference leads into the resource (``#p``), to the server that the resource is from (``Patient/1``, if that is
    told) or to any; a version of it (``/_history/3``) does not count.
    """
    told = reference.get("reference") if isinstance(reference, dict) else None
    if isinstance(told, str):
        if told.startswith("#"):
            return json.dumps(_contained(told[1:], resource), sort_keys=True)
        return (base if re.fullmatch(r"[A-Za-z]+/[^/:]+", bare := _OF_VERSION.sub("", told)) else "") + bare
    named = reference.get("identifier") if isinstance(reference, dict) else None
    return json.dumps(reference if named is None else named, sort_keys=True)


def _refuse_other_person(subject: Field, who: str, gathered: Gathered) -> None:
    """Refuse a second person, and one who may be the first: the same id, once with a server and once without."""
    if any(one.endswith(f"/{other}") for known in gathered.people for one, other in ((known, who), (who, known))):
        problem = "whether this is the person of the records before is not told: one reference names a server"
        expected, remedy = "references of one form", "Give each entry its fullUrl, or write all references in one form."
        subject.fail(problem, expected=expected, remedy=remedy)
    gathered.refuse_second_person(who, subject.place)


def _contained(name: str, resource: Field) -> object:
    """Return what tells a resource inside another from those of the same id inside others."""
    contained = resource.get("contained")
    for inner in () if contained is None else contained.elements():
        if inner.mapping().get("id") == name:
            return inner.mapping().get("identifier") or {
                key: told for key, told in inner.mapping().items() if key != "id"
            }
    problem, expected = "a reference leads to nothing inside the Observation", "a contained resource of that id"
    return resource.fail(problem, expected=expected, found="none")


def _source(resource: Field, base: str) -> str:
    observation = resource.mapping()
    for key in ("device", "performer"):
        value = observation.get(key)
        if value is not None:
            parts = value if isinstance(value, list) else [value]
            return key + " " + " ".join(sorted(_who(part, resource, base) for part in parts))
    return ""


# --- its interval and its stage ---------------------------------------------------------------------------


def _add_observation(resource: Field, source: str, gathered: Gathered, systems: Counter[str]) -> None:
    _refuse_modifier(resource)
    label = _stage_code(resource, gathered.layout, systems)
    begin, end = map(gathered.instant, _effective_period(resource))
    interval = StagedInterval(begin, end, label, resource.at, source)
    (gathered.around if label == IN_BED else gathered.intervals).append(interval)


def _effective_period(resource: Field) -> tuple[Field, Field]:
    moments = ("effectiveDateTime", "effectiveInstant", "effectiveTiming")
    refuse_moment(resource, *moments, named="a moment or a timing", expected="effectivePeriod with start and end")
    period = resource.need("effectivePeriod", "a period with start and end")
    start = period.need("start", "the moment at which the interval begins")
    remedy = "A period without an end is still going on; complete it or take the Observation out."
    return start, period.need("end", "the moment at which the interval ends", remedy)


def _stage_code(resource: Field, layout: Layout, systems: Counter[str]) -> str:
    expected = "a code of sleep-analysis-codes: " + ", ".join((IN_BED, *list(STAGES)[:-1]))
    concept = resource.get("valueCodeableConcept")
    if concept is None:
        if resource.get("dataAbsentReason") is not None:
            return DATA_ABSENT
        for key in resource.mapping():
            if key.startswith("value"):
                problem, needed = "the stage must be a coded value", "valueCodeableConcept"
                resource.need(key, expected).fail(problem, found="another value[x]", expected=needed)
    concept = resource.need("valueCodeableConcept", expected)
    given = [coding for coding in concept.need("coding", "a list of codings").elements() if coding.has("code")]
    codings = [(coding, coding.need("code", expected).text(expected)) for coding in given]
    if not codings:
        concept.fail("the coded value holds no code", expected=expected)
    standard = [pair for pair in codings if pair[0].mapping().get("system") == CODE_SYSTEM]
    explained = fold_table(layout.stages)
    known = [pair for pair in codings if fold_label(pair[1]) in explained or recognise_label(pair[1])]
    told = standard or known or codings[:1]
    codes = list(dict.fromkeys(code for _, code in told))
    if len({explained.get(fold_label(code)) or recognise_label(code) or code for code in codes}) > 1:
        concept.fail("two codes name two stages", found=", ".join(codes), expected="one stage")
    if not standard:
        systems[str(told[0][0].mapping().get("system", "none"))] += 1
    return codes[0]
