"""From results to one self-contained HTML file."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from sleepagree.figures.saving import figure_bytes
from sleepagree.figures.style import css_variables
from sleepagree.night import NightAgreement
from sleepagree.nights_table import NightsTable
from sleepagree.report.night_page import night_page
from sleepagree.report.page import Page, figures_of, has_long_word, with_minus
from sleepagree.report.study_page import study_page
from sleepagree.study import StudyAgreement


def build_night_report(night: NightAgreement, *, command: str = "") -> str:
    """Return the report of one night as an HTML document.

    Parameters
    ----------
    night : NightAgreement
        The night.
    command : str
        The command that repeats it; "" leaves it out.

    Returns
    -------
    str
        One file: no network, no script needed to read it, the same text for the same night.
    """
    return render(night_page(night, command=command))


def build_study_report(study: StudyAgreement, *, command: str = "", table: NightsTable | None = None) -> str:
    """Return the report of a study as an HTML document.

    Parameters
    ----------
    study : StudyAgreement
        The study.
    command : str
        The command that repeats it; "" leaves it out.
    table : NightsTable, optional
        The table of nights that it was made from.

    Returns
    -------
    str
        One file: no network, no script needed to read it, the same text for the same study.
    """
    return render(study_page(study, command=command, table=table))


def night_files(night: NightAgreement, *, command: str = "") -> dict[str, bytes]:
    """Return the report of a night and its figures as files: relative path -> bytes.

    Parameters
    ----------
    night, command
        As for :func:`build_night_report`.
    """
    return page_files(night_page(night, command=command))


def study_files(study: StudyAgreement, *, command: str = "", table: NightsTable | None = None) -> dict[str, bytes]:
    """Return the report of a study and its figures as files: relative path -> bytes.

    Parameters
    ----------
    study, command, table
        As for :func:`build_study_report`.
    """
    return page_files(study_page(study, command=command, table=table))


def page_files(page: Page) -> dict[str, bytes]:
    """Return ``report.html`` and ``figures/NAME.svg`` of a page."""
    files_of = {"report.html": render(page).encode("utf-8")}
    for view in figures_of(page):
        files_of[f"figures/{view.name}.svg"] = figure_bytes(
            view.figure, "svg", title=view.title, description=view.description
        )
    return files_of


def render(page: Page) -> str:
    """Return a page as an HTML document."""
    script = _resource("page.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    text = _template().render(
        page=page,
        style=Markup(_resource("page.css")),  # noqa: S704
        script=Markup(script),  # noqa: S704
        script_hash=digest,
        light=Markup(css_variables()),  # noqa: S704
        dark=Markup(css_variables(dark=True)),  # noqa: S704
    )
    return text if text.endswith("\n") else text + "\n"


def _resource(name: str) -> str:
    return (files("sleepagree.report") / "templates" / name).read_text(encoding="utf-8")


def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["minus"] = with_minus
    environment.tests["long"] = has_long_word
    return environment.from_string(_resource("page.html.j2"))
