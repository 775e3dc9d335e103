"""XML and pages with tables, all invented: read like the JSON and the text tables that say the same."""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from sleepagree.errors import EpochGridError, FileFormatError
from sleepagree.readers.any_file import read_spans
from sleepagree.readers.layout import Layout
from sleepagree.readers.proposing.proposal import propose_layout
from tests.readers.test_odd_exports import BOUTS, EDGES, MOMENTS, STAGES, START, proposed, read

ROWS = [(MOMENTS[edge], label, 30 * epochs) for edge, (label, epochs) in zip(EDGES, BOUTS, strict=False)]


def xml_of_attributes() -> str:
    rows = "".join(f'<s at="{t:%Y-%m-%dT%H:%M:%S}" lasts="{n}" is="{word}"/>' for t, word, n in ROWS)
    return f'<?xml version="1.0"?><x:night xmlns:x="urn:ferry"><mat id="4"/><x:stages>{rows}</x:stages></x:night>'


def xml_of_elements() -> str:
    rows = "".join(f"<row><time>{t:%Y-%m-%d %H:%M:%S}</time><kind>{word}</kind><s>{n}</s></row>" for t, word, n in ROWS)
    return f"<export><owner>nobody</owner><rows>{rows}</rows></export>"


def page() -> str:
    rows = "".join(f"<tr><td>{t:%Y-%m-%d %H:%M:%S}<td>{word} &amp; still</td><td>{n}</td></tr>" for t, word, n in ROWS)
    sums = "<table><tr><th>Sum<th>min</tr><tr><td>deep<td>12</tr></table>"
    head = "<tr><th>From</th><th>Phase</th><th>Seconds</th></tr>"
    return f"<html><style>td {{}}</style><h1>Night of the ferry</h1>{sums}<table>{head}{rows}</table></html>"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("night.xml", xml_of_attributes()),
        ("night.xml", xml_of_elements()),
        ("night.html", page()),
        ("night.HTM", page()),
    ],
)
def test_a_night_in_markup_is_read_in_one_round(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8", newline="")
    proposal, _ = proposed(path)
    assert not proposal.blanks
    layout = proposal.layout()
    assert read(path, layout) == STAGES
    # of the file, as a program for checksums tells it
    assert read_spans(path, layout=layout).origin.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_rows_of_other_kinds_between_those_of_stages_are_told_apart(tmp_path: Path) -> None:
    rows = "".join(
        f'<s of="{kind}" at="{t.isoformat()}" to="{(t + timedelta(seconds=n)).isoformat()}" is="{told}"/>'
        for i, (t, word, n) in enumerate(ROWS)
        for kind, told in (("sleep", word), ("pulse", 50 + i % 9))
    )
    path = tmp_path / "night.xml"
    path.write_text(f"<night>{rows}</night>", encoding="utf-8")
    proposal, values = proposed(path)
    assert (values["stage"], values["person_column"]) == ("is", "of")
    assert [blank.key for blank in proposal.blanks] == ["person"]
    assert read(path, replace(proposal.layout(), person="sleep")) == STAGES


UNKNOWN_ENCODINGS = [
    ("a.xml", '<?xml version="1.0" encoding="ferry-8"?>', "ferry-8"),
    ("a.html", '<meta charset="ferry-8">', "ferry-8"),
    *(("a.html", f'<meta charset="{name}">', name) for name in ("undefined", "punycode", "idna", "rot13", "base64")),
]


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        *((n, f"{t}<p>", f"encoding that the text names is not known. Found '{e}'") for n, t, e in UNKNOWN_ENCODINGS),
        (
            "a.xml",
            '<?xml version="1.0" encoding="ascii"?><a b="č"/>',
            "the text is not in its encoding. Expected ascii",
        ),
        ("a.html", "\n<p><![foo[<table>", "line 2: the markup of the page is broken"),
        ("a.html", "<![<table><tr>", "line 1: the markup of the page is broken"),
        ("a.xml", "<a><b></a>", r"the XML is broken.*"),
        ("a.xml", '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "names entities of its own"),
        ("a.html", "<p>no table</p>", "the page holds no table"),
        (
            "a.html",
            "<table><tr><td>a<td>c<tr><td>1<td>2</table><table><tr><td>b<td>c<tr><td>1<td>2</table>",
            "several tables",
        ),
    ],
)
def test_broken_markup_is_refused(tmp_path: Path, name: str, text: str, message: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match=message):
        read_spans(path)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-32", "shift_jis", "utf-7"])
def test_entities_are_refused_in_any_encoding(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "a.xml"
    head = f'<?xml version="1.0" encoding="{encoding.removesuffix("-sig")}"?>'
    path.write_bytes(f'{head}<!DOCTYPE a [<!ENTITY x "y">]><a/>'.encode(encoding))
    with pytest.raises(FileFormatError, match="entities of its own"):
        read_spans(path)


def test_a_document_type_without_entities_is_none_of_them(tmp_path: Path) -> None:
    path = tmp_path / "night.xml"
    kind = "<!DOCTYPE night [<!ELEMENT night ANY>]>"
    path.write_text(xml_of_attributes().replace("?>", f"?>{kind}"), encoding="utf-8")
    proposal, _ = proposed(path)
    assert read(path, proposal.layout()) == STAGES


def test_deep_nesting_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.xml"
    path.write_text("<a>" * 5000 + "</a>" * 5000, encoding="utf-8")
    with pytest.raises(FileFormatError, match="nested too deeply"):
        read_spans(path)


@pytest.mark.parametrize(
    ("encoding", "is_named"),
    [
        *((name, True) for name in ("shift_jis", "euc-jp", "gb18030", "cp1251", "utf-16", "utf-32", "utf-32-be")),
        *((name, False) for name in ("utf-8-sig", "utf-16", "utf-16-le", "utf-32", "utf-32-be")),
    ],
)
def test_xml_in_an_encoding_that_it_names_or_shows_is_read(tmp_path: Path, encoding: str, is_named: bool) -> None:
    """The parser of XML knows few of them."""
    text = xml_of_attributes().replace("light", "тихо").replace("?>", f' encoding="{encoding}"?>' if is_named else "?>")
    path = tmp_path / "night.xml"
    path.write_bytes(text.encode(encoding))
    proposal, _ = proposed(path)
    assert read(path, proposal.layout({}, {"тихо": "light"})) == STAGES


@pytest.mark.parametrize("name", ["utf-16", "UTF-32"])
def test_an_encoding_that_can_be_read_as_it_is_named_is_none_of_wide_characters(tmp_path: Path, name: str) -> None:
    """Programs that turn a text into UTF-8 often leave its first line as it was."""
    path = tmp_path / "night.xml"
    path.write_text(xml_of_attributes().replace("?>", f' encoding="{name}"?>'), encoding="utf-8")
    proposal, _ = proposed(path)
    assert read(path, proposal.layout()) == STAGES


def test_a_page_in_a_legacy_encoding_names_it(tmp_path: Path) -> None:
    path = tmp_path / "night.html"
    text = page().replace("<html>", '<html><meta charset="windows-1251">').replace("still", "тихо")
    path.write_bytes(text.encode("cp1251"))
    _, values = proposed(path)
    assert values["stage_form"] == "{stage} & тихо"


def test_two_nights_of_a_page_are_asked_for_by_their_headings(tmp_path: Path) -> None:
    """Tables with the same names and no times would go on as one night."""
    head = "<tr><th>Nr</th><th>Phase</th><th>Length</th></tr>"
    nights = []
    for day in (13, 14):
        rows = "".join(
            f"<tr><td>{i}.<td>{w}<td>{n // 60} min {n % 60} s" for i, (_, w, n) in enumerate(ROWS[day - 13 :])
        )
        nights.append(f"<h2>Night of {day} March 2031</h2><p>Begun: <b>23:01:30</b></p><table>{head}{rows}</table>")
    path = tmp_path / "nights.html"
    path.write_text("<h1>Report</h1>" + "<ul><li>deep: 3 h</li></ul>".join(nights), encoding="utf-8")
    proposal, values = proposed(path)
    assert values["night_column"] == "title above"
    asked = {s.key: [o.value for o in s.others] for s in proposal.blanks}
    assert asked["night"] == ["Night of 13 March 2031", "Night of 14 March 2031"]
    answers = {"night": "Night of 13 March 2031", "begins": START.isoformat()}
    assert read(path, proposal.layout(answers)) == STAGES
    alone = replace(proposal.layout(answers), night=None, night_column=None)
    with pytest.raises((EpochGridError, FileFormatError), match=r"blank line|another recording"):
        read_spans(path, layout=alone)


def test_markup_may_be_compressed(tmp_path: Path) -> None:
    path = tmp_path / "night.xml.gz"
    path.write_bytes(gzip.compress(xml_of_attributes().encode()))
    proposal, _ = proposed(path)
    assert read(path, proposal.layout()) == STAGES
    inside = hashlib.sha256(xml_of_attributes().encode()).hexdigest()
    assert read_spans(path, layout=proposal.layout()).origin.sha256 == inside


def test_fhir_in_xml_is_refused(tmp_path: Path) -> None:
    # R4, xml.html: resources are elements in the namespace http://hl7.org/fhir (from memory)
    path = tmp_path / "night.xml"
    path.write_text('<Bundle xmlns="http://hl7.org/fhir"><type value="collection"/></Bundle>', encoding="utf-8")
    with pytest.raises(FileFormatError, match=r"FHIR in XML is not read.*Export it as JSON"):
        read_spans(path, layout=Layout(records="Bundle.entry"))
    assert propose_layout(path) is None
