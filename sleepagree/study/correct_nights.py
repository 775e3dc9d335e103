"""Correcting the nights of a table that have no reference; a night that cannot be corrected becomes a refusal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from sleepagree.caution import Caution, CautionKind
from sleepagree.errors import InputError, SleepAgreeError, shorten
from sleepagree.hypnogram.window import Window, WindowRule, parse_window
from sleepagree.study.anonymous import anonymous_night, anonymous_table
from sleepagree.study.correction import CorrectedNight, Correction
from sleepagree.study.night_summary import Refusal
from sleepagree.study.run import NightFilesReader, refuse_row
from sleepagree.study.table import NightRow, NightsTable


@dataclass(frozen=True, eq=False)
class CorrectedNights:
    """The nights of a table, corrected.

    Parameters
    ----------
    correction : Correction
        What was applied.
    nights : tuple of (NightRow, CorrectedNight)
        In the order of the table.
    refused : tuple of Refusal
        Nights that could not be corrected, and why.
    other_devices : int
        Rows of other devices, which were left alone.
    left_windows : int
        Rows whose window was not looked at, for it is by the clock of a reference.
    """

    correction: Correction
    nights: tuple[tuple[NightRow, CorrectedNight], ...]
    refused: tuple[Refusal, ...]
    other_devices: int
    left_windows: int = 0

    @property
    def names(self) -> tuple[tuple[str, str], ...]:
        """Participant and night of each."""
        return tuple((row.participant, row.night) for row, _ in self.nights)

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What may mislead: where windows are only the device's own, and what holds for the correction."""
        left = [window_of_reference(self.left_windows)] if self.left_windows else []
        own = [caution for _, night in self.nights for caution in night.cautions]
        by_device = [caution for caution in own if caution.kind is CautionKind.WINDOW_BY_DEVICE]
        of_epochs = [caution for caution in own if caution.kind is CautionKind.EPOCHS_NOT_HELPED]
        silent = [caution["epochs"] for caution in own if caution.kind is CautionKind.WINDOW_SILENT]
        told = [Caution.of(CautionKind.WINDOW_SILENT, epochs=max(silent), count=len(silent))] if silent else []
        return (*left, *by_device[:1], *of_epochs[:1], *told, *self.correction.cautions)


def correct_nights(
    correction: Correction,
    table: NightsTable,
    *,
    window: Window | None = None,
    anonymous: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> CorrectedNights:
    """Correct every night of a table that is of the correction's device, or of no named one.

    Parameters
    ----------
    correction : Correction
        What is applied.
    table : NightsTable
        As :func:`sleepagree.read_nights_table` reads it with ``needs_reference=False``; references are not looked at.
    window : Window, optional
        For rows that give none by the device's clock.
    anonymous : bool
        Whether results hold numbers for names, and no dates.
    progress : callable, optional
        Called with rows done and rows in all.

    Raises
    ------
    InputError
        When no row is of this device.
    """
    rows = [
        row for row in (anonymous_table(table) if anonymous else table).rows if row.device in ("", correction.device)
    ]
    if not rows:
        raise InputError(
            "the table has no night of the device that the correction was learnt from",
            table.name,
            found=", ".join(dict.fromkeys(shorten(row.device) for row in table.rows)),
            expected=shorten(correction.device),
            remedy="Correct the column device, or leave it out.",
        )
    files = NightFilesReader(table.folder, (correction.mapping,))
    nights, refused = [], []
    for i, row in enumerate(rows, 1):
        try:
            night = correction.apply(files.device(row), window=_own_window(row) or window)
        except SleepAgreeError as error:
            refused.append(refuse_row(row, error, table.folder, anonymous=anonymous))
        else:
            if _leaves_window(row):
                night = replace(night, cautions=(window_of_reference(1), *night.cautions))
            nights.append((row, anonymous_correction(night) if anonymous else night))
        if progress is not None:
            progress(i, len(rows))
    left = sum(map(_leaves_window, rows))
    return CorrectedNights(correction, tuple(nights), tuple(refused), len(table.rows) - len(rows), left)


def _own_window(row: NightRow) -> Window | None:
    """Return the window that a row gives by the device's clock or marks, None where it gives none.

    That of a row with a reference is by the reference's clock or marks; rules that ask for a reference give none here.
    """
    if row.references or not row.window:
        return None
    window = parse_window(row.window)
    return window if window.rule in (WindowRule.GIVEN, WindowRule.LIGHTS) else None


def _leaves_window(row: NightRow) -> bool:
    """Whether a row tells times that are by the clock of its reference."""
    return bool(row.references) and "/" in row.window


def window_of_reference(count: int) -> Caution:
    """Return the caution about windows that were not looked at."""
    return Caution.of(CautionKind.WINDOW_OF_REFERENCE, count=count)


def anonymous_correction(night: CorrectedNight) -> CorrectedNight:
    """Return a corrected night without file names, dates and times of day."""
    paired = anonymous_night(night.paired)
    return replace(night, name=paired.device_spans.origin.name, paired=paired)
