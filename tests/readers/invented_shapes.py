"""Exports in shapes of their own: invented files of two device-like sources in ten languages, with what they say.

A case holds the file, a layout made by hand that is right for it, what a person could answer about it, and the truth:
the label and stage of every 30-s epoch. Everything is invented; nothing is modelled on a product's export.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sleepagree.errors import SleepAgreeError
from sleepagree.hypnogram.epochs import lay_on_epochs
from sleepagree.hypnogram.spans import ScoredSpans
from sleepagree.mapping.words import canonical_stage
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import read_layout

EPOCHS = 240
STEP = timedelta(seconds=30)
STAGES = ("wake", "light", "deep", "rem")


@dataclass(frozen=True)
class Language:
    """Words of a source: four stages, and what it calls its columns; the form of its times, its delimiter."""

    code: str
    stages: tuple[str, str, str, str]
    time: str
    end: str
    length: str
    stage: str
    day: str
    zone: str
    who: str
    number: str
    form: str
    mark: str
    zone_name: str
    encoding: str = "utf-8"


LANGUAGES = (
    Language(
        "en",
        ("Up", "Shallow", "Sound", "Dream"),
        "When",
        "Till",
        "Lasts",
        "Says",
        "Day",
        "Clock",
        "Crew",
        "Nr",
        "%m/%d/%Y %H:%M:%S",
        ",",
        "America/Chicago",
    ),
    Language(
        "de",
        ("wach", "leicht", "tief", "Traum"),
        "Uhrzeit",
        "Ende",
        "Dauer",
        "Phase",
        "Datum",
        "Zone",
        "Person",
        "Nr.",
        "%d.%m.%Y %H:%M:%S",
        ";",
        "Europe/Berlin",
        "cp1252",
    ),
    Language(
        "fr",
        ("éveil", "léger", "profond", "paradoxal"),
        "Heure",
        "Fin",
        "Durée",
        "Stade",
        "Jour",
        "Fuseau",
        "Marin",
        "Époque",
        "%d/%m/%Y %H:%M:%S",
        ";",
        "Europe/Paris",
        "cp1252",
    ),
    Language(
        "es",
        ("despierto", "ligero", "profundo", "sueños"),
        "Hora",
        "Hasta",
        "Duración",
        "Fase",
        "Fecha",
        "Huso",
        "Marinero",
        "Época",
        "%d-%m-%Y %H:%M:%S",
        ";",
        "Europe/Madrid",
    ),
    Language(
        "it",
        ("sveglio", "leggero", "profondo", "sogno"),
        "Ora",
        "Fine",
        "Durata",
        "Fase",
        "Data",
        "Fuso",
        "Marinaio",
        "Epoca",
        "%d/%m/%Y %H.%M.%S",
        ";",
        "Europe/Rome",
    ),
    Language(
        "nl",
        ("wakker", "licht", "diep", "droom"),
        "Tijd",
        "Tot",
        "Duur",
        "Fase",
        "Dag",
        "Zone",
        "Wie",
        "Nummer",
        "%d-%m-%Y %H:%M:%S",
        "\t",
        "Europe/Amsterdam",
    ),
    Language(
        "fi",
        ("valve", "kevyt", "syvä", "vilke"),
        "Aika",
        "Loppu",
        "Kesto",
        "Vaihe",
        "Päivä",
        "Vyöhyke",
        "Henkilö",
        "Jakso",
        "%d.%m.%Y %H.%M.%S",
        ";",
        "Europe/Helsinki",
    ),
    Language(
        "pl",
        ("czuwanie", "płytki", "głęboki", "marzenia"),
        "Czas",
        "Koniec",
        "Długość",
        "Faza",
        "Dzień",
        "Strefa",
        "Osoba",
        "Numer",
        "%Y.%m.%d %H:%M:%S",
        ";",
        "Europe/Warsaw",
        "cp1250",
    ),
    Language(
        "sv",
        ("vaken", "lätt", "djup", "dröm"),
        "Tid",
        "Slut",
        "Längd",
        "Fas",
        "Dag",
        "Zon",
        "Vem",
        "Epok",
        "%Y-%m-%d %H:%M:%S",
        ";",
        "Europe/Stockholm",
        "utf-16",
    ),
    Language(
        "ja",
        ("覚醒", "浅い", "深い", "夢"),
        "時刻",
        "終わり",
        "長さ",
        "段階",
        "日付",
        "時間帯",
        "人",
        "番号",
        "%Y/%m/%d %H:%M:%S",
        "|",
        "Asia/Tokyo",
    ),
)


#: Words for the halves of a day (Unicode CLDR); AM and PM in the other languages.
HALVES = {
    "es": ("a. m.", "p. m."),
    "nl": ("a.m.", "p.m."),
    "fi": ("ap.", "ip."),
    "sv": ("fm", "em"),
    "ja": ("午前", "午後"),
}


@dataclass(frozen=True)
class Case:
    """A file, the layout that is right for it, and what it says.

    ``labels`` has the label of every epoch from ``start`` on; ``meanings`` what each means; ``answers`` the keys of a
    layout that only a person knows (begins, zone, person). ``rows`` are the lines that can be mutated, if any.
    """

    name: str
    file: str
    data: bytes
    layout: str
    labels: tuple[str, ...]
    meanings: dict[str, str]
    start: datetime
    answers: dict[str, Any] = field(default_factory=dict)
    #: Text table: cells of its rows below the first ``above`` lines, and how they are put together again.
    above: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    mark: str = ""
    encoding: str = ""
    #: Positions of columns of times among the cells, and whether a lost row can be seen in the others.
    times: tuple[int, ...] = ()
    anchored: bool = True

    def write(self, folder: Path) -> Path:
        """Write the file and return its path."""
        path = folder / self.file
        path.write_bytes(self.data)
        return path


def a_night(seed: int) -> list[int]:
    """Return the stage of every epoch, as a number, in bouts of uneven length; all four stages occur."""
    draw = random.Random(seed)
    night, stage = [0] * draw.randint(3, 9), 0
    for following in (1, 2, 3):
        night += [following] * draw.randint(3, 12)
    while len(night) < EPOCHS:
        stage = draw.choice([other for other in range(4) if other != stage])
        night += [stage] * draw.randint(1, 23)
    return night[:EPOCHS]


def quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def toml(language: Language, top: str, file: str, meanings: dict[str, str]) -> str:
    lines = [
        top,
        "[file]",
        file,
        "[stages]",
        *(f"{quote(label)} = {quote(stage)}" for label, stage in meanings.items()),
    ]
    return "\n".join(line for line in lines if line) + "\n"


class Maker:
    """Makes the cases of one language."""

    def __init__(self, language: Language, seed: int) -> None:
        self.language = language
        self.night = a_night(seed)
        # a day above 12 in every other language; the night passes midnight
        self.start = datetime(2026, 3, 14 if seed % 2 else 4, 23, 1, 30)
        self.labels = tuple(language.stages[stage] for stage in self.night)
        self.meanings = dict(zip(language.stages, STAGES, strict=True))

    def times(self, count: int = EPOCHS + 1) -> list[datetime]:
        return [self.start + i * STEP for i in range(count)]

    def bouts(self) -> Iterator[tuple[int, int, str]]:
        at = 0
        for label, group in groupby(self.labels):
            n = len(list(group))
            yield at, at + n, label
            at += n

    def text(
        self,
        name: str,
        header: list[str] | None,
        rows: list[tuple[str, ...]],
        top: str,
        file: str,
        *,
        preamble: tuple[str, ...] = (),
        mark: str | None = None,
        suffix: str = ".csv",
        **more: Any,
    ) -> Case:
        """Return the case of a text table."""
        language = self.language
        mark = language.mark if mark is None else mark
        above = (*preamble, *([mark.join(header)] if header else []))
        encoding = language.encoding
        said = f'encoding = "{encoding}"\n' if encoding.startswith("cp") else ""
        if len(header or rows[0]) > 1:
            said += f"delimiter = {quote(mark)}\n"
        meanings = more.pop("meanings", self.meanings)
        case = Case(
            f"{language.code} {name}",
            f"{language.code}-{name.replace(' ', '-')}{suffix}",
            b"",
            toml(language, top, said + file, meanings),
            more.pop("labels", self.labels),
            meanings,
            more.pop("start", self.start),
            above=above,
            rows=tuple(rows),
            mark=mark,
            encoding=encoding,
            **more,
        )
        return with_rows(case, case.rows)

    def form(self, moment: datetime) -> str:
        return moment.strftime(self.language.form)

    def cases(self) -> Iterator[Case]:
        w, form = self.language, self.language.form
        day, clock = form.split(" ")
        times, begins = self.times(), f"begins = {self.start.isoformat()}"
        named = f"start = {quote(w.time)}\nstage = {quote(w.stage)}\ntime = {quote(form)}\n"
        yield self.text(
            "epochs",
            [w.time, "bpm", w.stage],
            [
                (self.form(t), str(50 + i % 23), label)
                for i, (t, label) in enumerate(zip(times[:-1], self.labels, strict=True))
            ],
            "",
            named,
            times=(0,),
        )
        words = tuple(STAGES[stage] for stage in self.night)
        yield self.text(
            "plain words",
            ["time", "stage"],
            [(t.isoformat(), word) for t, word in zip(times[:-1], words, strict=True)],
            "",
            "",
            labels=words,
            meanings=dict(zip(STAGES, STAGES, strict=True)),
            times=(0,),
        )
        bouts = list(self.bouts())
        yield self.text(
            "ends",
            [w.stage, w.time, w.end],
            [(label, self.form(times[a]), self.form(times[b])) for a, b, label in bouts],
            "",
            named + f"end = {quote(w.end)}\n",
            times=(1, 2),
        )
        yield self.text(
            "lengths",
            [w.time, f"{w.length} (min)", w.stage],
            [(self.form(times[a]), f"{(b - a) / 2:g}", label) for a, b, label in bouts],
            "",
            named + f'duration = {quote(f"{w.length} (min)")}\nduration_unit = "min"\n',
            times=(0,),
        )
        yield self.text(
            "changes",
            [w.time, w.stage],
            [*((self.form(times[a]), label) for a, _, label in bouts), (self.form(times[-1]), "#")],
            "",
            named + 'shape = "intervals"\n',
            meanings=self.meanings | {"#": "not-a-stage"},
            times=(0,),
            anchored=False,
        )
        aware = self.start.replace(tzinfo=UTC) - timedelta(hours=2)
        yield self.text(
            "date time offset",
            [w.day, w.time, w.zone, "bpm", w.stage],
            [
                (t.strftime(day), t.strftime(clock), "+02:00", str(50 + i % 19), label)
                for i, (t, label) in enumerate(zip(times[:-1], self.labels, strict=True))
            ],
            "",
            named + f"date = {quote(w.day)}\nzone_column = {quote(w.zone)}\n",
            start=aware,
            times=(0, 1),
        )
        yield self.text(
            "zone names",
            [w.zone, w.time, w.stage],
            [(w.zone_name, self.form(t), label) for t, label in zip(times[:-1], self.labels, strict=True)],
            "",
            named + f"zone_column = {quote(w.zone)}\n",
            start=self.start,
            times=(1,),
            answers={"zone_name": w.zone_name},
        )
        yield self.text(
            "halves",
            [w.day, w.time, "±", w.stage],
            [
                (t.strftime(day), t.strftime("%I:%M:%S"), t.strftime("%p"), label)
                for t, label in zip(times[:-1], self.labels, strict=True)
            ],
            "",
            f'start = {quote(w.time)}\nstage = {quote(w.stage)}\ndate = {quote(w.day)}\nam_pm = "±"\n'
            f"time = {quote(day + ' %I:%M:%S %p')}\n",
            times=(0, 1),
        )
        yield self.text(
            "numbers",
            [w.number, w.stage],
            [(str(i + 1), label) for i, label in enumerate(self.labels)],
            "epoch_seconds = 30",
            f"epoch_number = {quote(w.number)}\nstage = {quote(w.stage)}\nfirst_epoch = 1\nskip_lines = 4\n{begins}\n",
            answers={"begins": self.start},
            preamble=("ferry, night 3", "", f"made by hand{w.mark}{w.mark}2", "----"),
        )
        yield self.text(
            "one a line",
            None,
            [(label,) for label in self.labels],
            "epoch_seconds = 30",
            f'header = false\nshape = "epochs"\n{begins}\n',
            suffix=".txt",
            anchored=False,
            answers={"begins": self.start},
        )
        codes = "".join("wlds"[stage] for stage in self.night)
        letters = dict(zip("wlds", STAGES, strict=True))
        yield self.text(
            "characters",
            None,
            [(codes[i : i + 60],) for i in range(0, EPOCHS, 60)],
            "epoch_seconds = 30",
            f'header = false\nshape = "runs"\n{begins}\n',
            suffix=".txt",
            anchored=False,
            labels=tuple(codes),
            meanings=letters,
            answers={"begins": self.start},
        )
        yield self.text(
            "label and minutes",
            None,
            [(label, f"{(b - a) / 2:g}") for a, b, label in bouts],
            "",
            f'header = false\nshape = "intervals"\nstage = "1"\nduration = "2"\nduration_unit = "min"\n{begins}\n',
            anchored=False,
            answers={"begins": self.start},
        )
        yield self.text(
            "label and count",
            [w.stage, w.number],
            [(label, str(b - a)) for a, b, label in bouts],
            "epoch_seconds = 30",
            f'shape = "intervals"\nstage = {quote(w.stage)}\nduration = {quote(w.number)}\n'
            f'duration_unit = "epochs"\n{begins}\n',
            anchored=False,
            answers={"begins": self.start},
        )
        unix = [int(t.replace(tzinfo=UTC).timestamp()) for t in times]
        yield self.text(
            "unix digits",
            [w.time, w.stage],
            [(str(t), str(s)) for t, s in zip(unix[:-1], self.night, strict=True)],
            "",
            f"start = {quote(w.time)}\nstage = {quote(w.stage)}\n",
            labels=tuple(map(str, self.night)),
            meanings={str(i): stage for i, stage in enumerate(STAGES)},
            start=self.start.replace(tzinfo=UTC),
            times=(0,),
        )
        other = [w.stages[stage] for stage in a_night(99)]
        yield self.text(
            "two people",
            [w.who, w.time, w.stage],
            [
                (who, self.form(t), label)
                for t, *pair in zip(times[:-1], self.labels, other, strict=True)
                for who, label in zip(("crew-1", "crew-2"), pair, strict=True)
            ],
            "",
            named + f'person_column = {quote(w.who)}\nperson = "crew-1"\n',
            times=(1,),
            answers={"person": "crew-1"},
        )
        yield self.text(
            "told delimiter",
            [w.time, w.stage],
            [(self.form(t), label) for t, label in zip(times[:-1], self.labels, strict=True)],
            "",
            named,
            times=(0,),
            preamble=(f"sep={w.mark}",),
        )
        for name, pack in (("gzip", gzip.compress), ("zip", _zip)):
            plain = self.text(
                name,
                [w.time, w.stage],
                [(self.form(t), label) for t, label in zip(times[:-1], self.labels, strict=True)],
                "",
                named,
            )
            ending = ".csv.gz" if name == "gzip" else ".zip"
            yield replace(plain, file=plain.file.removesuffix(".csv") + ending, data=pack(plain.data), rows=())
        yield from self.words(bouts, times)
        yield from self.odd(bouts, times, named)
        yield from self.json_cases(bouts, times)
        yield from self.sheets(times)

    def words(self, bouts: list[tuple[int, int, str]], times: list[datetime]) -> Iterator[Case]:
        """Yield cases in which words stand beside numbers, and one of a row a night."""
        w, begins = self.language, f"begins = {self.start.isoformat()}"
        day, clock = w.form.split(" ")
        halves = HALVES.get(w.code, ("AM", "PM"))
        apart = "" if w.code == "ja" else " "
        hours = clock.replace("%H", "%I")
        parts = ("%p", hours) if w.code == "ja" else (hours, "%p")
        yield self.text(
            "spoken halves",
            [w.time, w.stage],
            [
                (f"{t:{day}} " + apart.join(halves[t.hour // 12] if p == "%p" else f"{t:{p}}" for p in parts), label)
                for t, label in zip(times[:-1], self.labels, strict=True)
            ],
            "",
            f"start = {quote(w.time)}\nstage = {quote(w.stage)}\ntime = {quote(f'{day} {apart.join(parts)}')}\n",
            times=(0,),
        )
        for name, spoken in (
            ("spoken lengths", lambda n: f"{n // 2} min {30 * (n % 2)} s"),
            ("iso lengths", lambda n: f"PT{n // 2}M{30 * (n % 2)}S"),
        ):
            yield self.text(
                name,
                [w.stage, w.length],
                [(label, spoken(b - a)) for a, b, label in bouts],
                "",
                f'shape = "intervals"\nstage = {quote(w.stage)}\nduration = {quote(w.length)}\n{begins}\n',
                anchored=False,
                answers={"begins": self.start},
            )
        night = (self.form(times[0]), self.form(times[-1]), " ".join(self.labels))
        yield replace(
            self.text(
                "a row a night",
                [w.time, w.end, w.stage],
                [night],
                "epoch_seconds = 30",
                f"start = {quote(w.time)}\nend = {quote(w.end)}\nstage = {quote(w.stage)}\ntime = {quote(w.form)}\n"
                'shape = "runs"\n',
            ),
            rows=(),
        )

    def odd(self, bouts: list[tuple[int, int, str]], times: list[datetime], named: str) -> Iterator[Case]:
        """Yield cases with titles, minutes since the start, ranges in one cell, and the newest row first."""
        w, begins = self.language, f"begins = {self.start.isoformat()}"
        both = f"start = {quote(w.time)}\nend = {quote(w.time)}\nstage = {quote(w.stage)}\n"
        epochs = [(self.form(t), label) for t, label in zip(times[:-1], self.labels, strict=True)]
        titled = self.text(
            "titled", [w.time, w.stage], epochs, "", named + "skip_lines = 2\n",
            preamble=(f'"ferry, band A{w.mark} 14.03.2026"', ""),
        )  # fmt: skip
        yield replace(titled, rows=())
        yield replace(self.text("newest first", [w.time, w.stage], epochs[::-1], "", named), rows=())
        minutes = f"start = {quote(w.time)}\nstage = {quote(w.stage)}\n" + f'time = "elapsed-min"\n{begins}\n'
        told = {"anchored": False, "answers": {"begins": self.start}}
        yield self.text(
            "minutes", [w.time, w.stage], [(f"{i / 2:g}", label) for i, label in enumerate(self.labels)], "",
            minutes, times=(0,), **told,
        )  # fmt: skip
        yield self.text(
            "ranges of minutes", [w.time, w.stage],
            [(f"{a / 2:.1f} - {b / 2:.1f}", label) for a, b, label in bouts], "",
            f'{both}time = "elapsed-min"\n{begins}\n', times=(0,), **told,
        )  # fmt: skip
        yield self.text(
            "ranges", [w.stage, w.time],
            [(label, f"{self.form(times[a])} – {self.form(times[b])}") for a, b, label in bouts], "",
            f"{both}time = {quote(w.form)}\n", times=(1,), anchored=False,
        )  # fmt: skip

    def json_cases(self, bouts: list[tuple[int, int, str]], times: list[datetime]) -> Iterator[Case]:
        w = self.language
        records = [
            {"span": {w.time: times[a].isoformat(), w.end: times[b].isoformat()}, w.stage: label}
            for a, b, label in bouts
        ]
        content = {"made": {"by": "pad B", "list": [{"x": 1}]}, "sleep": {"segments": records, "notes": []}}
        yield self.json(
            "json inside",
            content,
            "",
            f'records = "sleep.segments"\nstart = {quote(f"span.{w.time}")}\n'
            f"end = {quote(f'span.{w.end}')}\nstage = {quote(w.stage)}\n",
        )
        half = len(records) // 2
        nights = {"nights": [{"date": "x", "parts": records[:half]}, {"date": "y", "parts": records[half:]}]}
        yield self.json(
            "json lists",
            nights,
            "",
            f'records = "nights.parts"\nstart = {quote(f"span.{w.time}")}\n'
            f"end = {quote(f'span.{w.end}')}\nstage = {quote(w.stage)}\n",
        )
        by_stage = {label: [[times[a].isoformat(), times[b].isoformat()] for a, b, name in bouts if name == label]
                    for label in w.stages}  # fmt: skip
        yield self.json(
            "json names",
            {"sleep": {"made": 7, "stages": by_stage}},
            "",
            'records = "sleep.stages.*"\nstage = "key"\nstart = "1"\nend = "2"\n',
        )
        columns = {w.time: [t.isoformat() for t in times[:-1]], w.stage: list(self.labels)}
        yield self.json(
            "json columns",
            {"night": {"by": "pad B", **columns}},
            "",
            f'records = "night"\nstart = {quote(w.time)}\nstage = {quote(w.stage)}\n',
        )
        legend = [{"nr": i, "text": label} for i, label in enumerate(w.stages)]
        offsets = {"t": [30 * i for i in range(len(self.night))], "stage": self.night}
        zero = int(self.start.replace(tzinfo=UTC).timestamp()) * 1000
        numbered = {str(i): stage for i, stage in enumerate(STAGES)}
        placed = (
            f'records = "."\nstart = "t"\nstage = "stage"\ntime = "elapsed-s"\nbegins = {self.start.isoformat()}Z\n'
            'zone = "UTC"\n'
        )
        yield replace(
            self.json("json legend", {"legend": legend, "start_ms": zero, **offsets}, "", ""),
            layout=toml(w, "", placed, numbered),
            labels=tuple(map(str, self.night)),
            meanings=numbered,
            start=self.start.replace(tzinfo=UTC),
        )
        yield self.json(
            "json alone",
            list(self.labels),
            "epoch_seconds = 30",
            f'records = "."\nshape = "epochs"\nstage = "value"\nbegins = {self.start.isoformat()}\n',
            answers={"begins": self.start},
        )
        yield self.json(
            "json labels",
            {"device": {"stages": list(self.labels)}},
            "epoch_seconds = 30",
            f'records = "device.stages"\nshape = "epochs"\nstage = "value"\nbegins = {self.start.isoformat()}\n',
            answers={"begins": self.start},
        )

    def json(self, name: str, content: Any, top: str, file: str, **more: Any) -> Case:
        data = json.dumps(content, ensure_ascii=False).encode()
        return Case(
            f"{self.language.code} {name}",
            f"{self.language.code}-{name.replace(' ', '-')}.json",
            data,
            toml(self.language, top, file, self.meanings),
            self.labels,
            self.meanings,
            self.start,
            **more,
        )

    def sheets(self, times: list[datetime]) -> Iterator[Case]:
        w = self.language
        dated = [[w.time, w.stage], *([t, label] for t, label in zip(times[:-1], self.labels, strict=True))]
        apart = [
            ["ferry"],
            [],
            [w.day, w.time, w.stage],
            *([t.date(), t.time(), label] for t, label in zip(times[:-1], self.labels, strict=True)),
        ]
        texts = [[w.time, w.stage], *([self.form(t), label] for t, label in zip(times[:-1], self.labels, strict=True))]
        named = f"start = {quote(w.time)}\nstage = {quote(w.stage)}\n"
        for name, rows, more in (
            ("sheet", dated, ""),
            ("sheet apart", apart, f"date = {quote(w.day)}\nskip_lines = 2\n"),
            ("sheet texts", texts, f"time = {quote(w.form)}\n"),
        ):
            yield Case(
                f"{w.code} {name}",
                f"{w.code}-{name.replace(' ', '-')}.xlsx",
                _sheet(rows),
                toml(w, "", named + more, self.meanings),
                self.labels,
                self.meanings,
                self.start,
            )


def with_rows(case: Case, rows: tuple[tuple[str, ...], ...]) -> Case:
    """Return a case of a text table with other rows."""
    lines = [*case.above, *(case.mark.join(row) for row in rows)]
    return replace(case, rows=rows, data=("\n".join(lines) + "\n").encode(case.encoding))


def _zip(data: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("export/", b"")
        archive.writestr("export/night.csv", data)
        archive.writestr("__MACOSX/export/._night.csv", b"\x00\x05\x16\x07")
    return out.getvalue()


def _sheet(rows: list[list[Any]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(row)
    book.create_sheet("empty")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def all_cases() -> list[Case]:
    """Return every shape in every language."""
    return [case for i, language in enumerate(LANGUAGES) for case in Maker(language, i).cases()]


# --- mutations --------------------------------------------------------------------------------------------


def mutations(case: Case, seed: int = 0) -> Iterator[tuple[str, Case]]:
    """Yield a text table with two columns swapped, with a row lost, and with one time in another form."""
    if not case.rows:
        return
    draw = random.Random(f"{case.name} {seed}")
    rows, width = case.rows, len(case.rows[0])
    for a in range(width):
        for b in range(a):
            order = list(range(width))
            order[a], order[b] = b, a
            yield f"columns {b} and {a} swapped", with_rows(case, tuple(tuple(row[i] for i in order) for row in rows))
    lost = draw.randrange(1, len(rows) - 1)
    if case.anchored:
        yield "a row lost", with_rows(case, (*rows[:lost], *rows[lost + 1 :]))
    for position in case.times:
        for name, change in FORMS:
            row = draw.randrange(1, len(rows))
            changed = change(rows[row][position])
            if changed is not None and changed != rows[row][position]:
                cells = (*rows[row][:position], changed, *rows[row][position + 1 :])
                yield f"a form mixed ({name})", with_rows(case, (*rows[:row], cells, *rows[row + 1 :]))


def _day_and_month(cell: str) -> str | None:
    """Return a date with its first two parts exchanged, as another hand would write it."""
    for mark in "/.-":
        parts = cell.partition(" ")[0].split(mark)
        if len(parts) == 3:
            order = (1, 0, 2) if len(parts[2]) == 4 else (0, 2, 1)
            return mark.join(parts[i] for i in order) + cell[len(mark.join(parts)) :]
    return None


FORMS: tuple[tuple[str, Callable[[str], str | None]], ...] = (
    ("day and month", _day_and_month),
    ("without seconds", lambda cell: cell[:-3]),
    ("a point for a colon", lambda cell: cell.replace(":", ".") if ":" in cell else None),
    ("a suffix", lambda cell: cell + " Uhr"),
)


# --- what is read, against the truth ----------------------------------------------------------------------


def epochs_of(spans: ScoredSpans, case: Case) -> list[tuple[str, str] | None]:
    """Return label and stage of each epoch from the true start on, None in gaps; what lies elsewhere fails."""
    start = case.start
    assert spans.start is not None
    if spans.start.tzinfo is not None and start.tzinfo is None:
        start = start.replace(tzinfo=ZoneInfo(case.answers["zone_name"]))
    offset_s = (
        (spans.start.astimezone(UTC) - start.astimezone(UTC)).total_seconds()
        if start.tzinfo
        else (spans.start - start) / timedelta(seconds=1)
    )
    grid = lay_on_epochs(spans, origin_s=-offset_s)
    codes = grid.window(0, len(case.labels))
    assert (spans.onset_s + offset_s >= 0).all(), "a span before the night"
    assert (spans.onset_s + offset_s + spans.duration_s <= 30 * len(case.labels) + 0.001).all(), "a span after it"
    return [None if code < 0 else (spans.labels[code], spans.stages[code]) for code in codes.tolist()]


def truth(case: Case) -> list[tuple[str, str]]:
    return [(label, canonical_stage(case.meanings[label]) or "") for label in case.labels]


def outcomes(make_layout: Callable[[Path, Case], str | None], cases: Iterable[Case], folder: Path) -> Counter[str]:
    """Count how cases end: read at once, after one round, refused, or wrong.

    Parameters
    ----------
    make_layout : callable
        Makes a layout (TOML) of a file and of what a person would answer about it; None where it cannot.
    cases : iterable of Case
        Cases.
    folder : Path
        Where files are written.
    """
    counts: Counter[str] = Counter()
    for case in cases:
        path = case.write(folder)
        for outcome in ("at once", "after one round", "refused"):
            text = make_layout(path, case) if outcome == "after one round" else None
            if outcome == "refused" or (outcome == "after one round" and text is None):
                counts["refused"] += 1
                break
            layout = folder / "layout.toml"
            layout.write_text(text or "# nothing\n", encoding="utf-8")
            try:
                spans = read_spans(path, layout=read_layout(layout))
            except SleepAgreeError:
                continue
            counts[outcome if _is_right(spans, case) else "wrong"] += 1
            break
    return counts


def _is_right(spans: ScoredSpans, case: Case) -> bool:
    try:
        return epochs_of(spans, case) == truth(case)
    except AssertionError:
        return False
