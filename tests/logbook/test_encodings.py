"""Encodings found out or declared, damage located, and what is no text refused."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.errors import InputError, StudyError
from relkit.logbook.encodings import Decoded, decode

TEXT = "date,vehicle,note\n" + "".join(
    f"2023-02-01,GR\u00a0{n:02},caméra cassée à l\u2019arrière\n" for n in range(30)
)
GERMAN = "date;note\n" + "".join(f"01.02.2023;Kabel {n} gelöst, größer\n" for n in range(30))


def read(data: bytes, encoding: str | None = None) -> Decoded:
    return decode(data, file="log.csv", encoding=encoding, path="study.toml")


@pytest.mark.parametrize(
    ("codec", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-32", "utf-32"),
        ("cp1252", "cp1252"),
    ],
)
@pytest.mark.parametrize("text", [TEXT, GERMAN], ids=["french", "german"])
def test_encoding_is_found_out(codec: str, found: str, text: str) -> None:
    decoded = read(text.encode(codec))
    assert decoded.encoding == found
    assert decoded.data.decode().removeprefix("\ufeff") == text
    assert not decoded.damaged


def test_latin_letters_of_other_countries_are_told_apart() -> None:
    polish = "".join(f"GR{n:02},zażółć gęślą jaźń\n" for n in range(30))
    assert read(polish.encode("cp1250")).data.decode() == polish


def test_a_guessed_encoding_is_a_finding() -> None:
    assert "cp1252" in read(TEXT.encode("cp1252")).findings[0].what
    assert read(TEXT.encode("cp1252"), "cp1252").findings == ()


def test_declared_encoding_that_does_not_fit_names_row_and_mend() -> None:
    with pytest.raises(InputError, match=r'log\.csv, row 2: .*no utf-8 text.*encoding = "cp1252"'):
        read(TEXT.encode("cp1252"), "utf-8")
    with pytest.raises(InputError, match=r'row 2: .* no ascii text.*encoding = "utf-8"'):
        read(TEXT.encode(), "ascii")


def test_declared_one_byte_encoding_of_utf8_bytes_is_pointed_out() -> None:
    assert [one.severity for one in read(TEXT.encode(), "latin-1").findings] == ["look"]


def test_unknown_encoding_is_a_study_error() -> None:
    with pytest.raises(StudyError, match='encoding "utf9" is not known'):
        read(TEXT.encode(), "utf9")


def test_utf8_with_a_lost_byte_stays_utf8_and_is_marked() -> None:
    data = bytearray(TEXT.encode())
    del data[data.index("é".encode())]
    decoded = read(bytes(data))
    assert decoded.encoding == "utf-8"
    assert decoded.damaged


def test_utf16_with_lost_bytes_is_refused() -> None:
    data = bytearray(TEXT.encode("utf-16-le"))
    del data[301]
    with pytest.raises(InputError, match=r"log.csv"):
        read(bytes(data), "utf-16-le")
    del data[701]
    with pytest.raises(InputError, match=r"log.csv"):
        read(bytes(data), "utf-16-le")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the file is empty"),
        (b"\n \r\n", "the file is empty"),
        (b"PK\x03\x04 and so on", "workbook or archive.*xlsx"),
        (b"PAR1 and so on", "Parquet file"),
        (b"\x1f\x8b\x08", "compressed"),
        (b"%PDF-1.7", "PDF"),
        (np.random.default_rng(7).bytes(4000), "not text"),
    ],
)
def test_what_is_no_text_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read(data)
