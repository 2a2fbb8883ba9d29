"""Signs that a typeface lacks: told as U+ and four digits or more (Unicode Standard, appendix A, from memory)."""

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.documents.signs import has_unknown, spell_out, spelled_out

LATIN = frozenset(range(0x20, 0x250)) - {0xAD}  # without the soft hyphen, which joins what is before it


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("SN-0417", "SN-0417"),
        ("SN-\N{ELECTRIC TORCH}-0417", "SN-‹U+1F526›-0417"),
        ("山田 太郎", "‹U+5C71 U+7530› ‹U+592A U+90CE›"),
        ("a\N{ZERO WIDTH JOINER}b\n\tc", "a\N{ZERO WIDTH JOINER}b\n\tc"),
        ("\N{WOMAN}\N{ZERO WIDTH JOINER}\N{PERSONAL COMPUTER}!", "‹U+1F469 U+200D U+1F4BB›!"),
        ("\N{HEAVY BLACK HEART}\N{VARIATION SELECTOR-16}", "‹U+2764 U+FE0F›"),
    ],
)
def test_unknown_signs_are_spelled_with_what_belongs_to_them(text, printed):
    assert spelled_out(text, LATIN) == printed
    assert has_unknown(text, LATIN) is (printed != text)


@given(st.text(st.characters(exclude_characters="‹›")))
def test_no_unknown_sign_is_left_and_every_known_one_stays_in_its_order(text):
    printed = spelled_out(text, LATIN | set(map(ord, "‹›")))
    typed = re.sub("‹[^›]*›", "", printed)

    assert not has_unknown(typed, LATIN)
    assert [sign for sign in typed if ord(sign) in LATIN] == [sign for sign in text if ord(sign) in LATIN]


def test_in_a_page_they_stand_in_elements_of_their_own_at_which_lines_may_break():
    page = ET.fromstring("<p>SN-山-7<b>田</b>; end 郎</p>")  # noqa: S314  # written above

    spell_out(page, LATIN)

    assert ET.tostring(page, encoding="unicode").replace("\N{ZERO WIDTH SPACE}", "|") == (
        '<p>SN-|<span class="sign">‹U+5C71›</span>|-7<b><span class="sign">‹U+7530›</span></b>; end '
        '|<span class="sign">‹U+90CE›</span></p>'
    )
