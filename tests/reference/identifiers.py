"""The three printed forms that tell an animal or a bull, read by a second implementation.

International ID (Interbull formats 010, 200, 605): 19 characters, breed 3, country 3, sex 1, then the number,
12 letters or digits, to the right and filled with zeros. The shape alone is checked: a country must be three
letters, not one of today's list, because animals of former states keep their numbers.

Uniform bull code (uniform coding system; CDCB format 395): stud, up to 3 digits, breed 2 letters, bull, up to
5 digits; written without blanks and leading zeros, or filled up to 10 characters.

Animal code (ISO 11784): 15 digits, 3 for the country or the maker and 12 for the animal. The 12 must fit in 38
bits, so they end at 274877906943.

Lower case and blanks around or inside are left out of the cases: whether to forgive them is for the service to
say. The animals and bulls are invented, except those named as checks in the sources.
"""

import json
from pathlib import Path

LETTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
# Python's isdigit() takes digits of every script; a straw has ten.
DIGITS = frozenset("0123456789")
LARGEST_ANIMAL = 2**38 - 1


class Refused(Exception):
    """Why a code is no code."""


def need(condition, why):
    if not condition:
        raise Refused(why)


def only(text, alphabet):
    return all(character in alphabet for character in text)


def international(code):
    need(len(code) == 19, "length")
    breed, country, sex, number = code[:3], code[3:6], code[6], code[7:]
    need(only(breed, LETTERS), "breed")
    need(only(country, LETTERS), "country")
    need(sex in ("M", "F"), "sex")
    need(only(number, LETTERS | DIGITS), "number")
    return {"breed": breed, "country": country, "sex": sex, "number": number, "short_number": number.lstrip("0")}


def international_from_parts(breed, country, sex, number):
    # Each part by itself: HOLS and CA together are seven characters too.
    need(len(breed) == 3, "breed")
    need(len(country) == 3, "country")
    need(len(sex) == 1, "sex")
    need(1 <= len(number) <= 12, "number")
    code = breed + country + sex + number.rjust(12, "0")
    international(code)
    return {"code": code}


def bull(code):
    # The only two letters in the middle: everything before is the stud, everything behind is the bull.
    stud = code[: next((at for at, character in enumerate(code) if character not in DIGITS), len(code))]
    breed, number = code[len(stud) : len(stud) + 2], code[len(stud) + 2 :]
    need(1 <= len(stud) <= 3, "stud")
    need(len(breed) == 2 and only(breed, LETTERS), "breed")
    need(1 <= len(number) <= 5 and only(number, DIGITS), "bull")
    return {
        "stud": int(stud),
        "breed": breed,
        "bull": int(number),
        "short": f"{int(stud)}{breed}{int(number)}",
        "full": f"{int(stud):03}{breed}{int(number):05}",
    }


def animal(code):
    need(len(code) == 15, "length")
    need(only(code, DIGITS), "digits")
    need(int(code[3:]) <= LARGEST_ANIMAL, "animal")
    return {"country_or_maker": int(code[:3]), "animal": int(code[3:])}


INTERNATIONAL_GOOD = [
    "HOLZZZM000000A12345",
    "LIMZZZF008795005065",
    "JERZZZM000000000001",
    "BSWCHEF120012345678",
    "AYRFINMABCDEFGHIJKL",
]
INTERNATIONAL_BAD = [
    "",
    "HOLZZZM00000A12345",
    "HOLZZZM0000000A12345",
    "HOLZZZX000000A12345",
    "HOLZZZ1000000A12345",
    "H0LZZZM000000A12345",
    "HOLC4NM000000A12345",
    "HOLZZZM000000A1234-",
    "HOLZZZM00000\u00c412345",  # 19 bytes, 18 characters
    "HOLZZZM000000\u00c412345",  # 19 characters, 20 bytes
    "HOLZZZM000000A1234\u0665",  # a digit, but not one of the ten
]
PARTS_GOOD = [
    ("HOL", "ZZZ", "M", "A12345"),
    ("LIM", "ZZZ", "F", "8795005065"),
    ("JER", "DNK", "F", "1"),
    ("SIM", "AUT", "M", "123456789012"),
]
PARTS_BAD = [
    ("HOL", "ZZZ", "M", "1234567890123"),
    ("HOL", "ZZZ", "M", ""),
    ("HO", "ZZZ", "M", "A12345"),
    ("HOLS", "CA", "M", "A12345"),
    ("HO", "LZZZ", "M", "A12345"),
    ("HOL", "ZZZ", "B", "A12345"),
]
BULL_GOOD = [
    "0HO123",
    "000HO00123",
    "000HO123",
    "0HO00123",
    "99JE1",
    "999BS99999",
    "0AN100",
    "500HO123",  # a stud in the 500s says nothing about the semen type
]
BULL_BAD = [
    "",
    "0H123",
    "0HO123456",
    "0HOL123",
    "HO123",
    "1234HO123",
    "0HO",
    "7HO51A7",
    "0HO-123",
    "0H\u00d6123",
    "7HO515\u0667",
]
ANIMAL_GOOD = [
    "040000000000001",
    "276000123456789",
    "276274877906943",
    "528000987654321",
    "900000000000017",
    "985112001234567",
]
ANIMAL_BAD = [
    "",
    "27600012345678",
    "2760001234567890",
    "276274877906944",
    "276999999999999",
    "27600012345678A",
    "-27600012345678",
    "+27600012345678",
    "276000123456.89",
    "276000 23456789",
    "27600012345678\u0669",
    "\uff12\uff17\uff16\uff10\uff10\uff10\uff11\uff12\uff13\uff14\uff15\uff16\uff17\uff18\uff19",
]


PARTS = ("breed", "country", "sex", "number")


def table(read, good, bad):
    """Every case with what it reads as. A case that is not a code by itself is a row of parts."""
    cases = []
    for expected, given in [(True, code) for code in good] + [(False, code) for code in bad]:
        parts = {"code": given} if isinstance(given, str) else dict(zip(PARTS, given, strict=True))
        try:
            outcome = {"ok": True, **read(*parts.values())}
        except Refused as refused:
            outcome = {"ok": False, "fault": str(refused)}
        assert outcome["ok"] == expected, (given, outcome)
        cases.append(parts | outcome)
    return cases


def main():
    # The checks that the sources give themselves.
    assert international_from_parts("HOL", "ZZZ", "M", "A12345")["code"] == "HOLZZZM000000A12345"
    assert international_from_parts("LIM", "ZZZ", "F", "8795005065")["code"] == "LIMZZZF008795005065"
    assert bull("0HO123")["full"] == "000HO00123" and bull("000HO00123")["short"] == "0HO123"
    assert LARGEST_ANIMAL == 274877906943

    result = {
        "library": "Python standard library",
        "function": "this script, written from the sources and not from the service",
        "note": "fault names the first part that is wrong, from left to right, length first; "
        "'full' and 'short' are the two ways to write one bull code",
        "international": table(international, INTERNATIONAL_GOOD, INTERNATIONAL_BAD),
        "international_from_parts": table(international_from_parts, PARTS_GOOD, PARTS_BAD),
        "bull": table(bull, BULL_GOOD, BULL_BAD),
        "animal": table(animal, ANIMAL_GOOD, ANIMAL_BAD),
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
