"""Texts that are no UTF-8: the encoding they were written in is proposed, told, and never taken without a layout."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from sleepagree.caution import NoteKind
from sleepagree.cli.group import main
from sleepagree.describe.proposal import layout_text
from sleepagree.errors import FileFormatError
from sleepagree.mapping.languages import propose_meanings
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.encodings import likely_encodings
from sleepagree.readers.layout import parse_layout
from sleepagree.readers.proposing.layout_proposal import LayoutProposal, Why
from sleepagree.readers.proposing.proposal import propose_layout

#: Encoding a file is written in, a title, names of columns, and labels for wake, light and deep.
WRITTEN = [
    ("cp1252", "Nachtbuch der Fähre", "Anfang;Güte;Stufe", ("wach", "oberflächlich", "tief")),
    ("mac_roman", "Nachtbuch der Fähre", "Anfang;Güte;Stufe", ("wach", "oberflächlich", "tief")),
    ("cp850", "Carnet du navire à quai", "Début;Qualité;Étape", ("éveillé", "léger", "profond")),
    ("cp1250", "Deník z trajektu, říjen", "začátek;jakost;stav", ("bdění", "mělký", "hluboký")),
    ("iso8859-2", "Dziennik z promu", "początek;jakość;stan snu", ("przebudzony", "płytki", "głęboki")),
    ("cp852", "Hajónapló", "kezdet;minőség;alvás", ("ébren", "könnyű", "mély")),
    ("cp1251", "Журнал с парома", "начало;качество;стадия", ("не спит", "поверхностный", "глубокий")),
    ("koi8_r", "Журнал с парома", "начало;качество;стадия", ("не спит", "поверхностный", "глубокий")),
    ("cp866", "Журнал с парома", "начало;качество;стадия", ("не спит", "поверхностный", "глубокий")),
    ("iso8859-5", "Журнал с парома", "начало;качество;стадия", ("не спит", "поверхностный", "глубокий")),
    ("koi8_u", "Щоденник із порома", "початок;якість;стадія", ("пробудження", "легкий", "глибокий")),
    ("cp1253", "Πλοίο της νύχτας", "αρχή;ποιότητα;στάδιο", ("εγρήγορση", "ελαφρύς", "βαθύς")),
    ("iso8859-7", "Άγκυρα: πλοίο της νύχτας", "αρχή;ποιότητα;στάδιο", ("εγρήγορση", "ελαφρύς", "βαθύς")),
    ("cp1254", "Vapur defteri, ağustos", "başlangıç;değer;aşama", ("uyanıklık", "yüzeysel", "derin")),
    ("cp1257", "Laevapäevik, käsi", "algus;väärtus;lõik", ("ärkvel", "pinnapealne", "sügav")),
    ("shift_jis", "船の夜の記録", "始まり;質;段階", ("起きている", "浅い眠り", "深い眠り")),
    ("euc_jp", "船の夜の記録", "始まり;質;段階", ("起きている", "浅い眠り", "深い眠り")),
    ("euc_kr", "여객선의 밤 기록", "처음;품질;상태", ("각성", "얕은 잠", "깊은 잠")),
    ("cp949", "여객선의 밤 기록 쀼", "처음;품질;상태", ("각성", "얕은 잠", "깊은 잠")),
    ("gb18030", "渡轮夜间记录", "起点;质量;状况", ("醒着", "浅睡眠", "深睡眠")),
    ("big5", "渡輪夜間記錄", "起點;品質;狀況", ("醒著", "淺睡眠", "深度睡眠")),
    ("cp1255", "יומן לילה של מעבורת", "התחלה;איכות;שלב", ("ער", "קלה", "עמוקה")),
    ("iso8859-8", "יומן לילה של מעבורת", "התחלה;איכות;שלב", ("ערות", "שינה קלה", "שינה עמוקה")),
    ("cp862", "יומן לילה של מעבורת", "התחלה;איכות;שלב", ("ערות", "שינה קלה", "שינה עמוקה")),
    ("cp1256", "سجل ليلة العبارة", "البداية;الجودة;المرحلة", ("مستيقظ", "نوم خفيف", "نوم عميق")),
    ("iso8859-6", "سجل ليلة العبارة", "البداية;الجودة;المرحلة", ("مستيقظ", "نوم خفيف", "نوم عميق")),
    ("cp1256", "دفتر شب کشتي", "شروع;كيفيت;مرحله", ("بيدار", "خواب سبک", "خواب عميق")),
    ("cp1256", "رات كا سفر", "وقت;معيار;مرحلہ", ("بيدار", "ہلکا", "گہرا")),
    ("cp874", "บันทึกคืนบนเรือ", "เริ่ม;คุณภาพ;ระยะ", ("ตื่น", "หลับตื้น", "หลับลึก")),
    ("iso8859-11", "บันทึกคืนบนเรือ", "เริ่ม;คุณภาพ;ระยะ", ("ตื่น", "หลับตื้น", "หลับลึก")),
    ("cp1251", "Дневник от ферибота", "начало;качество;фаза", ("буден", "лек", "дълбок")),
    ("cp1251", "Дневник са трајекта", "почетак;квалитет;фаза", ("будан", "плитак", "дубок")),
    ("iso8859-5", "Дневник са трајекта", "почетак;квалитет;фаза", ("будан", "плитак", "дубок")),
    ("cp1250", "Dnevnik sa trajekta, šetnja", "početak;kvalitet;faza", ("buđenje", "plitak", "dubok")),
    ("cp1250", "Dnevnik s trajekta, šport", "začetek;kakovost;stopnja", ("budnost", "plitek", "globok")),
    ("cp1257", "Naktinis kelto žurnalas", "pradžia;kokybė;būsena", ("būdravimas", "paviršutiniškas", "gilus")),
    ("iso8859-13", "Naktinis kelto žurnalas", "pradžia;kokybė;būsena", ("būdravimas", "paviršutiniškas", "gilus")),
    ("cp1257", "Nakts prāmja žurnāls", "sākums;kvalitāte;stāvoklis", ("nomodā", "virspusējs", "dziļš")),
    ("cp775", "Nakts prāmja žurnāls", "sākums;kvalitāte;stāvoklis", ("nomodā", "virspusējs", "dziļš")),
]
CASES = pytest.mark.parametrize(
    ("encoding", "title", "names", "labels"), WRITTEN, ids=[f"{written[0]} {written[3][1]}" for written in WRITTEN]
)


def night(title: str, names: str, labels: tuple[str, ...]) -> str:
    """Return two hours of 30-s rows on invented times: wake, light and deep by turns."""
    rows = (
        f"2026-03-01T{22 + i // 120}:{i // 2 % 60:02}:{30 * (i % 2):02};{i % 9 + 40},5;{labels[i // 20 % 3]}"
        for i in range(240)
    )
    return "\n".join([title, "", names, *rows, ""])


def proposed(path: Path) -> LayoutProposal:
    proposal = propose_layout(path)
    assert proposal is not None
    return proposal


@CASES
def test_the_encoding_a_text_was_written_in_is_the_likeliest(
    encoding: str, title: str, names: str, labels: tuple[str, ...]
) -> None:
    text = night(title, names, labels)
    likely = likely_encodings(text.encode(encoding))
    assert text.encode(encoding).decode(likely[0]) == text
    read = [text.encode(encoding).decode(other) for other in likely]
    assert len(set(read)) == len(read)


@CASES
def test_a_text_in_any_encoding_is_read_after_one_round_and_not_before(
    encoding: str, title: str, names: str, labels: tuple[str, ...], tmp_path: Path
) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(night(title, names, labels).encode(encoding))
    proposal = proposed(path)
    told = next(setting for setting in proposal.settings if setting.key == "encoding")
    assert told.why is Why.LIKELIEST
    with pytest.raises(FileFormatError, match="the text is not UTF-8") as refused:
        read_spans(path)
    assert f'encoding = "{told.value}"' in str(refused.value)
    stages = dict(zip(labels, ("wake", "light", "deep"), strict=True))
    spans = read_spans(path, layout=parse_layout(layout_text(proposal, {}, stages).encode(), "night.toml"))
    assert spans.labels == labels
    assert [(note.kind, dict(note.values)) for note in spans.notes if note.kind is NoteKind.TEXT_ENCODING] == [
        (NoteKind.TEXT_ENCODING, {"encoding": told.value})
    ]


def test_the_layout_shows_how_labels_read_in_each_encoding(tmp_path: Path) -> None:
    path, layout = tmp_path / "night.csv", tmp_path / "night.toml"
    path.write_bytes(night("Vapur", "ne zaman;d;aşama", ("uyanık", "hafif", "derin")).encode("cp1254"))
    shown = CliRunner().invoke(main, ["inspect", str(path), "--write-layout", str(layout)])
    assert shown.exit_code == 0, shown.output
    lines = layout.read_text("utf-8").splitlines()
    first = lines.index(
        "encoding = \"cp1254\"    # likeliest by its letters and words; to be checked: it reads 'uyanık, aşama'"
    )
    assert lines[first + 1] == "# encoding = \"cp1252\"    # or this, where it reads 'uyanýk, aþama'"
    assert "it reads 'uyanık, aşama'" in " ".join(shown.stdout.split())


@pytest.mark.parametrize("data", ["Fähre".encode(), "Fähre".encode("utf-16"), b"plain", b"\0\xff", b""])
def test_nothing_is_likely_where_the_bytes_tell(data: bytes) -> None:
    assert likely_encodings(data) == ()


def test_a_wrong_encoding_in_a_layout_is_told_with_the_likeliest(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(night(*WRITTEN[15][1:]).encode("shift_jis"))
    with pytest.raises(FileFormatError, match=r'the text is not EUC_KR(.|\n)*encoding = "shift_jis"'):
        read_spans(path, layout=parse_layout(b'[file]\nencoding = "euc_kr"\n', "night.toml"))


def test_where_no_encoding_fits_none_is_named(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(b"time,stage\n2026-03-01T22:30:00,\x93\x01\x81\n")
    with pytest.raises(FileFormatError, match="the text is not UTF-8") as caught:
        read_spans(path)
    assert caught.value.remedy == "In no encoding that is tried is it a text. Export it again as UTF-8."


def test_a_word_in_brackets_explains_one_that_nobody_knows() -> None:
    meant = propose_meanings(
        [
            "Droom",
            "꿈 잠 (렘)",
            "Schlummern (REM)",
            "덜 깬 밤(깸)",
            "半分（浅い）",
            "light (REM)",
            "N2 (REM)",
            "drowse (odd)",
        ]
    )
    assert {label: meaning.word for label, meaning in meant.items()} == {
        "Droom": "rem",
        "꿈 잠 (렘)": "rem",
        "Schlummern (REM)": "rem",
        "덜 깬 밤(깸)": "wake",
        "半分（浅い）": "light",
    }
