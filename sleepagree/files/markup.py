"""XML and tables of HTML, said as JSON or as a text table, which the readers of these take.

References
----------
.. [1] Extensible Markup Language (XML) 1.0, W3C Recommendation, 2008.
.. [2] HTML Living Standard, WHATWG, section 4.9 (tables).
"""

from __future__ import annotations

import codecs
import csv
import io
import json
import re
from collections import defaultdict
from html.parser import HTMLParser
from typing import Any, Final
from xml.etree import ElementTree
from xml.parsers import expat

from sleepagree.errors import FileFormatError, counted, shorten
from sleepagree.files.packed import Content

_MOST_ROWS_ABOVE: Final = 20
#: A list of stages lies a few elements deep.
_DEEPEST: Final = 50
#: A table so many times longer than any other is the one.
_LONGER: Final = 4
_HEADINGS: Final = ("h1", "h2", "h3", "h4", "h5", "h6", "caption")
_BLOCKS: Final = (*_HEADINGS, "p", "div", "li", "br", "ul", "ol", "section", "title", "table")
_HIDDEN: Final = ("script", "style", "title")
_META: Final = re.compile(rb"<meta[^>]{0,200}charset=[\"']?([\w-]{1,40})", re.IGNORECASE)
_XML_ENCODING: Final = re.compile(rb"<\?xml[^>]{1,100}?encoding\s{0,9}=\s{0,9}[\"']([\w.-]{1,40})[\"']")
_WIDE: Final = re.compile(r"utf-?(?:16|32)", re.IGNORECASE)
#: How texts begin whose characters have more than one byte each, and other encodings than they may name.
_BEGUN: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    *(("<".encode(encoding), encoding) for encoding in ("utf-32-le", "utf-32-be")),
    *(("<?".encode(encoding), encoding) for encoding in ("utf-16-le", "utf-16-be")),
)
#: Codecs of Python that are those of no file; some take minutes for a long text.
_OF_NO_FILE: Final = ("idna", "punycode", "undefined", "unicode-escape", "raw-unicode-escape")
#: Namespace of HL7 FHIR in XML (R4, section 2.6.1).
_FHIR: Final = "{http://hl7.org/fhir}"


def said_otherwise(path: str, suffix: str, data: bytes) -> Content:
    """Return what a file of markup holds as JSON (XML), or as a text table (HTML).

    Parameters
    ----------
    path : str
        File.
    suffix : str
        Its suffix in small letters, one of :data:`sleepagree.files.kinds.MARKUP`.
    data : bytes
        Its content.

    Raises
    ------
    FileFormatError
        When it is broken, names entities of its own, is nested too deeply, or holds no table or several tables
        alike.
    """
    if suffix == ".xml":
        return Content("night.json", json.dumps(_xml_document(data, path), ensure_ascii=False).encode())
    above, rows = _html_table(_text(data, _META.search(data[:4096]), path), path)
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    lines = [f"# {' '.join(line.split())}\n" for line in above[-_MOST_ROWS_ABOVE:]]
    return Content("night.csv", "".join([*lines, stream.getvalue()]).encode())


def _text(data: bytes, named: re.Match[bytes] | None, path: str) -> str:
    """Return a text in the encoding that its first bytes show, else the one that it names, else UTF-8."""
    told = named[1].decode() if named else "utf-8"
    # a name that can be read is in no text of more than one byte a character
    told = "utf-8" if _WIDE.match(told) else told
    encoding = next((encoding for begin, encoding in _BEGUN if data.startswith(begin)), told)
    remedy = "Save it in UTF-8."
    try:
        if codecs.lookup(encoding).name in _OF_NO_FILE:
            raise LookupError
        return data.decode(encoding)
    except LookupError:
        problem, expected = "the encoding that the text names is not known", "an encoding such as UTF-8"
        raise FileFormatError(problem, path, "", f"'{encoding}'", expected, remedy) from None
    except UnicodeError:
        problem = "the text is not in its encoding"
        raise FileFormatError(problem, path, "", "", encoding.removesuffix("-sig"), remedy) from None


def _xml_document(data: bytes, path: str) -> Any:
    text = _text(data, _XML_ENCODING.match(data), path).removeprefix("\ufeff")  # expat knows few encodings

    def refuse_entity(*_: object) -> None:
        problem, remedy = "the XML names entities of its own", "Save it without a document type."
        raise FileFormatError(problem, path, "", "<!ENTITY", "plain elements", remedy)

    look = expat.ParserCreate()
    look.EntityDeclHandler = refuse_entity
    try:
        look.Parse(text, True)  # noqa: FBT003 - the last part of the document
        root = ElementTree.fromstring(text)  # noqa: S314 - entities are refused above, in any encoding
    except FileFormatError:
        raise
    except (expat.ExpatError, ElementTree.ParseError, ValueError) as error:
        at = f"line {error.lineno}, column {error.offset + 1}" if isinstance(error, expat.ExpatError) else ""
        problem, remedy = "the XML is broken", "It may be cut short; export it again."
        raise FileFormatError(problem, path, at, remedy=remedy) from None
    if root.tag.startswith(_FHIR):
        problem, expected = "FHIR in XML is not read: its rules are known to the reader of JSON alone", "FHIR in JSON"
        remedy = "Export it as JSON (application/fhir+json), or convert it: the two forms say the same."
        raise FileFormatError(problem, path, found=f"'{shorten(_bare(root.tag))}'", expected=expected, remedy=remedy)
    if (deep := _deeper(root)) is not None:
        problem, expected = "the XML is nested too deeply", f"elements at most {_DEEPEST} deep"
        remedy = "This is no export of sleep stages."
        raise FileFormatError(problem, path, "", f"'{shorten(_bare(deep.tag))}' further inside", expected, remedy)
    return {_bare(root.tag): _value(root)}


def _deeper(root: ElementTree.Element) -> ElementTree.Element | None:
    """Return an element that lies deeper than any list of stages does."""
    elements = [root]
    for _ in range(_DEEPEST):
        elements = [child for element in elements for child in element]
    return next(iter(elements), None)


def _value(element: ElementTree.Element) -> Any:
    """Return an element as JSON: its attributes and elements by name, those that repeat as a list; a text alone."""
    text = (element.text or "").strip()
    held: dict[str, list[Any]] = defaultdict(list)
    for name, value in element.attrib.items():
        held[_bare(name)].append(value)
    for child in element:
        held[_bare(child.tag)].append(_value(child))
    if not held:
        return text
    if text:
        held["text"].append(text)
    return {name: values[0] if len(values) == 1 else values for name, values in held.items()}


def _bare(name: str) -> str:
    return name.rpartition("}")[2]


class _Tables(HTMLParser):
    """The tables of an HTML document, and the texts above each, headings last."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.above: list[list[str]] = []
        self._texts: list[tuple[bool, str]] = [(False, "")]
        self._is_cell = self._is_hidden = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002 - of the base class
        self._is_cell = self._is_cell and tag not in ("tr", "table")
        if tag == "table":
            self.tables.append([])
            texts = [(is_heading, " ".join(text.split())) for is_heading, text in self._texts]
            self.above.append([text for _, text in sorted(texts, key=lambda told: told[0]) if text])
            self._texts = []
        elif tag == "tr" and self.tables:
            self.tables[-1].append([])
        elif tag in ("td", "th") and self.tables and self.tables[-1]:
            self.tables[-1][-1].append("")
            self._is_cell = True
        self._is_hidden = self._is_hidden or tag in _HIDDEN
        if tag in _BLOCKS:
            self._texts.append((tag in _HEADINGS, ""))

    def handle_endtag(self, tag: str) -> None:
        self._is_cell = self._is_cell and tag not in ("td", "th", "tr", "table")
        self._is_hidden = self._is_hidden and tag not in _HIDDEN
        if tag in _BLOCKS:
            self._texts.append((False, ""))

    def handle_data(self, data: str) -> None:
        if self._is_cell:
            self.tables[-1][-1][-1] += data
        elif not self._is_hidden:
            is_heading, text = self._texts[-1] if self._texts else (False, "")
            self._texts[-1:] = [(is_heading, text + data)]


def _html_table(text: str, path: str) -> tuple[list[str], list[list[str]]]:
    """Return the texts above the longest table of a page, and its rows.

    Tables whose first row is the same are parts of one: their rows follow, each part below the texts above it.
    """
    reader = _Tables()
    try:
        reader.feed(text)
    except AssertionError:  # how the parser says that a declaration is none
        problem, remedy = "the markup of the page is broken", "Export the night as CSV or JSON."
        raise FileFormatError(problem, path, f"line {reader.getpos()[0]}", remedy=remedy) from None
    tables: dict[tuple[str, ...], list[list[str]]] = {}
    above: dict[tuple[str, ...], list[str]] = {}
    for table, texts in zip(reader.tables, reader.above, strict=True):
        rows = [[" ".join(cell.split()) for cell in row] for row in table if row]
        if len(rows) > 1 and len(rows[0]) > 1:
            names = tuple(rows[0])
            if names in tables:
                tables[names] += [[text] for text in texts[-_MOST_ROWS_ABOVE:]]
            tables.setdefault(names, []).extend(rows)
            above.setdefault(names, texts)
    ranked = sorted(tables, key=lambda names: -len(tables[names]))
    if not ranked:
        raise FileFormatError("the page holds no table", path, remedy="Export the night as CSV or JSON.")
    if len(ranked) > 1 and len(tables[ranked[0]]) < _LONGER * len(tables[ranked[1]]):
        found = ", ".join(counted(len(tables[names]), "row") for names in ranked[:3])
        remedy = "Save the table of stages by itself, as CSV."
        raise FileFormatError("the page holds several tables", path, "", found, "one table of stages", remedy)
    return above[ranked[0]], tables[ranked[0]]
