"""Hypnograms from whatever one has: a file, an array of labels, a pandas object, ``mne.Annotations``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from sleepagree.errors import check_moment, is_number, shorten
from sleepagree.hypnogram.spans import EPOCH_S, ScoredSpans
from sleepagree.hypnogram.zones import with_zone
from sleepagree.mapping.sets import take_reports
from sleepagree.readers.any_file import names_file, read_spans
from sleepagree.readers.in_memory import Declared, label_text, spans_of_frame, spans_of_labels, spans_of_series
from sleepagree.readers.layout import Layout, read_layout


def read_hypnogram(
    source: Any,
    *,
    layout: Layout | str | os.PathLike[str] | None = None,
    stages: Mapping[str, str] | None = None,
    start: datetime | str | None = None,
    epoch_s: float = EPOCH_S,
    zone: str | None = None,
    reports: Sequence[str] | None = None,
    own_words: frozenset[str] = frozenset(),
    name: str = "",
) -> ScoredSpans:
    """Return the scored spans of a file or of data in memory.

    Parameters
    ----------
    source : path, array-like of str or int, pandas.Series, pandas.DataFrame, mne.Annotations or ScoredSpans
        A file is read by the reader of its suffix; a list of paths, or of texts that all end in a suffix that is read,
        names the parts of one recording in order. An array or a Series holds one label per epoch; None, nan
        and "" are gaps; a Series with an index of times tells its epoch length, and of datetimes or periods its start,
        too. A DataFrame has one row per interval (columns ``onset_s``, ``duration_s`` and ``stage``, or ``start``,
        ``end`` and ``stage`` with times) or one row per epoch (``stage``, and when each epoch begins: ``start`` with
        times, ``onset_s``, the epoch's number ``epoch``, an index of times, or nothing for epochs one after the other).
        With a layout, or with other plain names of columns, it is read as a table in a file would be.
    layout : Layout or path, optional
        How to read a file, or a DataFrame: its columns are named and found as those of a table.
    stages : mapping, optional
        Label -> stage word, for data in memory (numbers need it: ``{0: "W", 1: "N1", ...}``).
    start : datetime or str, optional
        Instant at which the first epoch begins, for data in memory; a text in ISO 8601. Annotations count from it.
    epoch_s : float
        Length of an epoch in seconds, for data in memory whose times do not tell it by their steps.
    zone : str, optional
        IANA zone of naive times.
    reports : sequence of str, optional
        What the source can report.
    own_words : frozenset of str
        Labels that a mapping file explains.
    name : str
        What to call data in memory.

    Raises
    ------
    SleepAgreeError
        When the source cannot be read.
    TypeError
        When it, or what is said of it, is none of the kinds above.
    ValueError
        When an array has more than one dimension, ``epoch_s`` is no positive number, or ``start`` or ``stages`` are
        given for a file, for what was read before or for data that tell it, or ``layout`` for data without columns.

    Examples
    --------
    >>> night = read_hypnogram(["W", "W", "N1", "N2", None, "N2"])
    >>> night.labels, night.onset_s.tolist(), night.duration_s.tolist()
    (('W', 'N1', 'N2'), [0.0, 60.0, 90.0, 150.0], [60.0, 30.0, 30.0, 30.0])
    """
    if not is_number(epoch_s) or epoch_s <= 0:
        raise ValueError(f"epoch_s must be a positive number of seconds, not {epoch_s!r}")
    declared = Declared(_take_stages(stages), _take_start(start), float(epoch_s), zone, own_words, name)
    listed = take_reports(reports)
    spans = _spans_of(source, declared, layout)
    return spans if listed is None else spans.with_changes(reports=listed)


def _take_stages(given: Mapping[Any, str] | None) -> dict[str, str]:
    """Return the stage of each label by its text: numbers name labels that are numbers."""
    if given is None:
        return {}
    told = "stages must tell the stage of each label, such as {0: 'W', 1: 'N1'}"
    if not isinstance(given, Mapping):
        raise TypeError(f"{told}, not {shorten(given)!r}")
    wrong = next((stage for stage in given.values() if not isinstance(stage, str)), None)
    if wrong is not None:
        raise TypeError(f"{told}, not {shorten(wrong)!r}")
    return {label_text(label) or str(label): stage for label, stage in given.items()}


def _take_start(given: Any) -> datetime | None:
    """Return a moment, also from a text, pandas or numpy; refuse a date alone, which is none."""
    moment = given
    if isinstance(given, str):
        try:
            date.fromisoformat(given)
        except ValueError:  # more than a date
            try:
                moment = datetime.fromisoformat(given)
            except ValueError:
                moment = None
    elif isinstance(given, np.datetime64) and np.datetime_data(given.dtype)[0] not in ("Y", "M", "W", "D"):
        moment = given.astype("M8[us]").item()
    if given is not None:
        check_moment("start", given if moment is None else moment)
    found: datetime | None = moment.to_pydatetime() if hasattr(moment, "to_pydatetime") else moment
    return found


def _spans_of(source: Any, declared: Declared, layout: Layout | str | os.PathLike[str] | None) -> ScoredSpans:
    given = _loaded(layout)
    is_file = _is_path(source) or (isinstance(source, (list, tuple)) and source and all(map(_is_part, source)))
    is_table = _is_from(source, "pandas") and hasattr(source, "columns")
    if given is not None and not (is_file or is_table or _is_from(source, "mne")):
        raise ValueError("layout is for a file, a DataFrame or mne.Annotations, and source has no columns to name")
    if is_file:
        _refuse_said(declared, "a file: say it in a layout")
        path = Path(source) if _is_path(source) else source
        return read_spans(path, layout=given, zone=declared.zone, own_words=declared.own_words)
    if isinstance(source, ScoredSpans):
        _refuse_said(declared, "what was read before: say it where that is read")
        spans = source
    elif _is_from(source, "mne"):
        from sleepagree.readers.mne_files import spans_from_mne

        spans = spans_from_mne(
            source, layout=given, stages=declared.stages, start=declared.start, own_words=declared.own_words
        )
    elif is_table:
        return spans_of_frame(source, given, declared)
    elif _is_from(source, "pandas") and hasattr(source, "index") and not callable(source.index):
        spans = spans_of_series(source, declared)
    elif isinstance(source, np.ndarray) and source.ndim != 1:
        raise ValueError(f"an array of labels must have one dimension, one label per epoch, not shape {source.shape}")
    elif _is_array(source):
        spans = spans_of_labels(list(source), declared)
    else:
        raise TypeError(
            f"source must be a path, labels, a pandas object, mne.Annotations or ScoredSpans, not {type(source)!r}"
        )
    return with_zone(spans, declared.zone)


def _is_path(source: Any) -> bool:
    return isinstance(source, (str, os.PathLike))


def _is_part(item: Any) -> bool:
    """Whether an item of a list is the path of a file; no label ends in a suffix that is read."""
    return isinstance(item, os.PathLike) or (isinstance(item, str) and names_file(item))


def _refuse_said(declared: Declared, of_what: str) -> None:
    """Refuse what is said of data in memory where it would not be heard."""
    said = "start" if declared.start is not None else "stages" if declared.stages else ""
    if said:
        raise ValueError(f"{said} is for data in memory, and source is {of_what}")


def _is_array(source: Any) -> bool:
    """Whether a source holds labels one after the other: a sequence, an array, or what has an array inside."""
    if isinstance(source, (bytes, bytearray, memoryview, Mapping)):
        return False
    return isinstance(source, (Sequence, np.ndarray)) or (hasattr(source, "__array__") and hasattr(source, "__iter__"))


def _is_from(source: Any, package: str) -> bool:
    return type(source).__module__.partition(".")[0] == package


def _loaded(layout: Layout | str | os.PathLike[str] | None) -> Layout | None:
    if isinstance(layout, (str, os.PathLike)):
        return read_layout(layout)
    if layout is not None and not isinstance(layout, Layout):
        raise TypeError(
            f"layout must be the path of a layout or what read_layout() returns, not {type(layout).__name__}"
        )
    return layout
