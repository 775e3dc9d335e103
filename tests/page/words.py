"""What a person reads of a page, and the words that mean nothing to whoever sits before it."""

from __future__ import annotations

import re
from html import unescape

#: Options, files of layouts and their sections, commands.
WORDS_OF_COMMANDS = re.compile(
    r"(?<![\w-])--[a-z]|\.toml\b|\[(?:file|stages)\]|\bin (?:a|its|the) layout"
    r"|'?sleepagree (?:night|mappings|study|bias|clock|inspect|nights|plan|calibrate|correct)\b"
)


def read_by_a_person(page: str) -> str:
    """Return the text of a page without styles, scripts, marks, and the block in which files are kept."""
    body = page[page.index("<body") :]
    body = re.sub(r'<section class="card keep".*?</section>', "", body, flags=re.DOTALL)
    body = re.sub(r"<(script|style)\b.*?</\1>", "", body, flags=re.DOTALL)
    return unescape(re.sub(r"<[^>]*>", " ", body))
