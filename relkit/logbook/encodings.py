"""Bytes of a text file to text: encoding declared or found out, damage located.

Layer: logbook. Gives UTF-8 bytes where all is well, a text with marks where bytes are broken.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from relkit.errors import InputError, StudyError
from relkit.logbook.findings import Finding, finding

__all__ = ["BROKEN_BYTE", "CONTROL", "Decoded", "decode"]

#: A byte that fits no character of the encoding is kept as one of these.
BROKEN_BYTE = re.compile("[\udc80-\udcff]")

#: Characters that no typed text holds.
CONTROL = re.compile(b"[\x00-\x08\x0e-\x1f\x7f]")

#: From this share of control characters on, the file is no text.
BINARY_SHARE = 0.01

#: Encodings without marks that are tried where UTF-8 does not fit, the likeliest first.
_LEGACY = ("cp1252", "cp1250", "cp1251", "mac_roman", "cp850", "latin_1")

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_OTHER_KINDS = (
    (b"PK\x03\x04", "a workbook or archive", "Give the file its true ending, such as .xlsx"),
    (b"PAR1", "a Parquet file", "Give the file the ending .parquet"),
    (b"\xd0\xcf\x11\xe0", "an old workbook", "Give the file its true ending, .xls"),
    (b"\x1f\x8b", "a compressed file", "Unpack it first"),
    (b"%PDF", "a PDF document", "Export the table as CSV or as a workbook"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """The text of a file."""

    data: bytes  #: UTF-8; empty where the text is damaged
    text: str  #: the text with broken bytes marked; empty where ``data`` holds it
    encoding: str  #: the encoding that was used
    findings: tuple[Finding, ...] = ()

    @property
    def damaged(self) -> bool:
        """Whether some bytes fit no character, or are control characters."""
        return bool(self.text)


def decode(data: bytes, *, file: str, encoding: str | None, path: str) -> Decoded:
    """Text of a file's bytes.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.
    encoding : str or None
        As the study declares it; None: found out.
    path : str
        The study file, for messages.

    Raises
    ------
    InputError
        The file is empty or no text, or its bytes do not fit the declared encoding: the message
        names the row of the first byte at fault and the encoding that would fit.
    StudyError
        The declared encoding is not known.
    """
    if not data.strip(b"\x00\r\n\t \x1a"):
        raise InputError("the file is empty", file=file, mend="Export it again")
    for magic, kind, mend in _OTHER_KINDS:
        if data.startswith(magic):
            raise InputError(f"the file is {kind}, not text", file=file, mend=mend)
    name = encoding or _marked(data) or _found_out(data)
    try:
        codec = codecs.lookup(name).name
    except LookupError:
        mend = 'Write for example "utf-8" or "cp1252", or leave it out to have it found out'
        raise StudyError(f'encoding "{name}" is not known', path=path, mend=mend) from None
    decoded = _decoded(data.rstrip(b"\x1a"), codec, file=file, declared=encoding is not None)
    _refuse_binary(decoded, file)
    return decoded


def _marked(data: bytes) -> str:
    """Return the encoding by the mark at the start, or by the zero bytes of two-byte characters."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            return name
    head = data[:4000]
    for offset, name in ((1, "utf-16-le"), (0, "utf-16-be")):
        zeros, others = head[offset::2].count(0), head[1 - offset :: 2].count(0)
        if zeros > 0.7 * len(head) / 2 and others < 0.05 * len(head):
            return name
    return ""


def _found_out(data: bytes) -> str:
    """Return the encoding of bytes without a mark; UTF-8 also where a few bytes are broken."""
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "utf-8" if _mostly_utf8(data) else _legacy(data)
    return "utf-8"


def _mostly_utf8(data: bytes) -> bool:
    text = data.decode("utf-8", errors="surrogateescape")
    broken = len(BROKEN_BYTE.findall(text))
    return len(re.findall("[^\x00-\x7f\udc80-\udcff]", text)) > broken


def _legacy(data: bytes) -> str:
    """Likeliest one-byte encoding, judged on the lines that are not plain ASCII."""
    from charset_normalizer import from_bytes  # loaded on use: 40 ms

    lines = [line for line in data.splitlines() if not line.isascii()][:2000]
    matches = from_bytes(b"\n".join(lines), cp_isolation=list(_LEGACY), threshold=0.5)
    ranked = {name: match.chaos for match in matches for name in match.could_be_from_charset}
    best = min(ranked.values(), default=0.0)
    # the measure cannot part close relatives on short texts: the likeliest within reach wins
    near = (name for name in _LEGACY if ranked.get(name, 1.0) <= best + 0.05)
    return next(near, "latin_1")


def _decoded(data: bytes, codec: str, *, file: str, declared: bool) -> Decoded:
    if codec in ("utf-8", "utf-8-sig"):
        return _decoded_utf8(data, codec, file=file, declared=declared)
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        if declared or codec.startswith("utf"):
            raise _does_not_fit(data, codec, error, file) from None
        text = data.decode(codec, errors="surrogateescape")
    if codec.startswith("utf-16") and re.search("[\u0a00\u0d00]", text):
        mend = "Export the file again, best as UTF-8"
        raise InputError(f"bytes are missing from the {codec} text", file=file, mend=mend)
    findings: tuple[Finding, ...] = ()
    if not declared and not codec.startswith("utf"):
        done = "Read as this encoding; declare encoding in the study to settle it"
        findings = (
            finding("encoding", f"Not UTF-8: looks like {codec}", sources=[file], done=done),
        )
    elif declared and not codec.startswith("utf") and not data.isascii() and _is_utf8(data):
        what = f"Declared as {codec}, but its bytes are valid UTF-8: letters may come out wrong"
        done = "Read as declared"
        findings = (finding("encoding", what, sources=[file], done=done, severity="look"),)
    if BROKEN_BYTE.search(text) or CONTROL.search(text.encode("utf-8", "replace")):
        return Decoded(b"", text, codec, findings)
    return Decoded(text.encode("utf-8"), "", codec, findings)


def _decoded_utf8(data: bytes, codec: str, *, file: str, declared: bool) -> Decoded:
    data = data.removeprefix(codecs.BOM_UTF8)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        if declared and not _mostly_utf8(data):
            raise _does_not_fit(data, codec, error, file) from None
        return Decoded(b"", data.decode("utf-8", errors="surrogateescape"), "utf-8")
    if CONTROL.search(data):
        return Decoded(b"", data.decode("utf-8"), "utf-8")
    return Decoded(data, "", "utf-8")


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _does_not_fit(data: bytes, codec: str, error: UnicodeDecodeError, file: str) -> InputError:
    other = _marked(data) or _found_out(data)
    row = len(re.findall(b"\r\n|\n|\r", data[: error.start])) + 1
    shown = data[error.start : error.start + 4].hex(" ")
    problem = f"the bytes {shown} are no {codec} text"
    if codecs.lookup(other).name == codec:
        return InputError(problem, file=file, row=row, mend="Export the file again")
    mend = f'The file looks like {other}: write encoding = "{other}" for this source'
    return InputError(problem, file=file, row=row, mend=mend)


def _refuse_binary(decoded: Decoded, file: str) -> None:
    if not decoded.damaged:
        return
    encoded = decoded.text.encode("utf-8", errors="replace")
    if len(CONTROL.findall(encoded)) > BINARY_SHARE * len(encoded):
        raise InputError(
            "the file is not text", file=file, mend="Export the table as CSV or as a workbook"
        )
