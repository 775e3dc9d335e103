"""What is told of a night or a study: its description on a terminal, on a page, and as files."""

from __future__ import annotations

from typing import Any

from sleepagree.describe.clock import describe_clock
from sleepagree.describe.mappings import describe_mappings
from sleepagree.describe.night import describe_night
from sleepagree.describe.study import describe_bias, describe_study
from sleepagree.hypnogram.align import PairedNight
from sleepagree.night.compare import NightAgreement
from sleepagree.night.mappings import MappingComparison
from sleepagree.render.page import page_files, render_page
from sleepagree.render.terminal import render_terminal
from sleepagree.scoring.clock import ClockReading
from sleepagree.study.results import StudyAgreement


def night_lines(night: NightAgreement) -> list[str]:
    return render_terminal(describe_night(night), full=True)


def mappings_lines(comparison: MappingComparison) -> list[str]:
    return render_terminal(describe_mappings(comparison), full=True)


def clock_lines(reading: ClockReading, paired: PairedNight) -> list[str]:
    return render_terminal(describe_clock(reading, paired), full=True)


def night_page(night: NightAgreement, *, command: str = "") -> str:
    return render_page(describe_night(night, command=command))


def study_lines(study: StudyAgreement) -> list[str]:
    return render_terminal(describe_study(study), full=True)


def first_screen(study: StudyAgreement) -> list[str]:
    return render_terminal(describe_study(study))


def bias_lines(study: StudyAgreement) -> list[str]:
    return render_terminal(describe_bias(study), full=True)


def study_page(study: StudyAgreement, **told: Any) -> str:
    return render_page(describe_study(study, **told))


def study_files(study: StudyAgreement, **told: Any) -> dict[str, bytes]:
    return page_files(describe_study(study, **told))
