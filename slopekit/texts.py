"""Texts of others made fit for a terminal."""

import re

# ISO/IEC 6429: the control characters of its sets C0 and C1, and DEL, can move the cursor, colour and retype. Unicode
# Standard Annex 9: embeddings, overrides and isolates show a line in another order. Line and paragraph separators
# (Unicode, section 23.2) begin a new line.
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")


def line_of(text: str) -> str:
    """The text as a single line with every control character, line breaks and tabs too, written out as \\u001b.

    JSON (RFC 8259, section 7) takes that for the same character.
    """
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def xml_of(text: str) -> str:
    """The text as XML 1.0 (section 2.2) can hold it: as `line_of`, and strays that are no characters become '?'."""
    return line_of(text).encode("utf-8", "replace").decode().translate({0xFFFE: "?", 0xFFFF: "?"})
