"""The page's HTML: forms around what the project describes and renders; a text of a file is escaped, always."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Collection, Iterable
from functools import lru_cache
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from sleepagree.describe.blocks import Description
from sleepagree.describe.clock import describe_clock
from sleepagree.describe.closing import CAUTIONS
from sleepagree.describe.folder import describe_folder
from sleepagree.errors import Front, asked
from sleepagree.page.guard import LARGEST_UPLOAD
from sleepagree.page.questions import BLANKS, DRAWING, MEANINGS, ROLES
from sleepagree.page.remembered import Remembered
from sleepagree.page.works import CHOICES, FURTHEST_OFFSET_S, IN_BED, MOST_FILES, Work
from sleepagree.readers.any_file import SUFFIXES
from sleepagree.render.notebook import render_notebook
from sleepagree.render.page import page_style

if TYPE_CHECKING:
    from sleepagree.hypnogram.align import PairedNight
    from sleepagree.scoring.clock import ClockReading

_TEMPLATES: Final = Path(__file__).with_name("templates")
_SIDES: Final = {"reference": "Reference", "device": "Device"}


@lru_cache(maxsize=1)
def _environment() -> Environment:
    loader = FileSystemLoader(_TEMPLATES)
    return Environment(autoescape=True, undefined=StrictUndefined, loader=loader, trim_blocks=True, lstrip_blocks=True)


def _render(name: str, **values: Any) -> str:
    return _environment().get_template(f"{name}.html.j2").render(cautions=CAUTIONS, **values)


def style() -> str:
    """Return the style sheet: that of every report, and what forms need."""
    return page_style() + (_TEMPLATES / "page.css").read_text("utf-8")


def script() -> str:
    """Return the page's one script."""
    return (_TEMPLATES / "page.js").read_text("utf-8")


def start(works: Iterable[Work], layouts: Remembered) -> str:
    """Return the first page: what may be given, and what was begun."""
    return _render(
        "start",
        title="Two files in, the answer out",
        works=list(works),
        layouts=layouts,
        suffixes=", ".join(SUFFIXES),
        largest_mb=LARGEST_UPLOAD // 1024**2,
        most_files=MOST_FILES,
    )


def message(text: str) -> str:
    """Return a page that says one thing."""
    return _render("message", title="That did not work", text=text)


def night(work: Work, known: Collection[str]) -> str:
    """Return the questions about the files of a night."""
    return _render(
        "night",
        title="What the files say",
        work=work,
        wanted={side: _SIDES[side] for side in work.wanted},
        known=known,
        untimed=[side for side in work.looks if _wants_time(work, side)],
        roles=ROLES,
        meanings=MEANINGS,
        blanks=BLANKS,
        choices=CHOICES,
        in_bed=IN_BED,
        passed_over=asked("shape", "epochs"),
    )


def _wants_time(work: Work, side: str) -> bool:
    """Whether a date alone was answered for when a file began, and what stands in its way asks for that still."""
    begins, problems = work.sides[side].answers.get("begins", ""), work.looks[side].problems
    return bool(begins) and ":" not in begins and any(asked("begins") in problem for problem in problems)


def study(work: Work) -> str:
    """Return the nights table of a study, to be made and edited."""
    more = ("layout", "reference_layout", "device_zone", "reference_zone")
    columns = [*dict.fromkeys((*work.used_columns, *more))]
    sizes = {c: max([6, *(len(row.get(c, "")) for row in work.table.values())]) for c in columns}
    found = render_notebook(describe_folder(work.found)) if work.found else ""
    choices = [(one, _example(describe_folder(one.found))) for one in work.choices]
    return _render("study", title="Many nights", work=work, columns=columns, sizes=sizes, found=found, choices=choices)


def _example(described: Description) -> str:
    """Return the section that tells one choice from another."""
    sections = tuple(section for section in described.sections if section.name == "example")
    return render_notebook(dataclasses.replace(described, findings=(), sections=sections))


def answer(work: Work, *, is_untaken: bool) -> str:
    """Return the answer with its files, how far it is, or why there is none.

    Parameters
    ----------
    work : Work
        What is worked on.
    is_untaken : bool
        Whether something was given that was not taken, as a command ran.
    """
    titles = {"night": "The answer", "study": "The study", "correction": "The night, corrected"}
    return _render("answer", title=titles[work.kind], work=work, results=list(work.results), is_untaken=is_untaken)


def clock(work: Work, reading: ClockReading, paired: PairedNight) -> str:
    """Return what agreement says about the clock, and the offset to choose."""
    from sleepagree.figures import draw_clock_curve
    from sleepagree.page.questions import svg_element

    described = describe_clock(reading, paired, front=Front.PAGE)
    curve = dataclasses.replace(described, sections=described.sections[-1:])
    offsets_s, kappas = reading.curve.offsets_s.tolist(), reading.curve.kappa.tolist()
    points = {f"{o:g}": None if isnan(k) else round(k, 3) for o, k in zip(offsets_s, kappas, strict=True)}
    with DRAWING:
        drawing = svg_element(draw_clock_curve(reading), "clock", "Kappa at each clock offset")
    return _render(
        "clock",
        title="The device's clock",
        work=work,
        proposal=render_notebook(dataclasses.replace(described, sections=described.answer)),
        curve=render_notebook(curve),
        drawing=drawing,
        points=json.dumps(points),
        reach=int(offsets_s[-1]),
        furthest=FURTHEST_OFFSET_S,
        chosen=work.chosen.get("clock_offset", "0"),
    )
