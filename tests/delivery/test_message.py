"""What a message says: cleaned of control characters, its pictures where the HTML wants them."""

import base64
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitewatch.delivery.message import Picture, clean_body, clean_line, standalone_page


@given(st.text())
def test_a_line_holds_no_control_and_no_break(text: str) -> None:
    line = clean_line(text)
    assert not any(unicodedata.category(letter) in ("Cc", "Zl", "Zp", "Cs") for letter in line)
    assert clean_line(line) == line
    line.encode("utf-8")


@given(st.text())
def test_a_body_keeps_line_feeds_and_tabs_only(text: str) -> None:
    body = clean_body(text)
    controls = {letter for letter in body if unicodedata.category(letter) in ("Cc", "Zl", "Zp", "Cs")}
    assert controls <= {"\n", "\t"}


def test_user_text_is_cleaned_as_the_message_is_made(message) -> None:
    made = message(subject="High\r\nBcc: all@example.org", text="a\r\nb\x00", list_name="north\x85pond")
    assert made.subject == "High Bcc: all@example.org"
    assert made.text == "a\nb"
    assert made.list_name == "north pond"


def test_a_page_for_a_file_carries_its_pictures(message) -> None:
    made = message()
    page = standalone_page(made)
    assert "cid:" not in page
    start = page.index("base64,") + len("base64,")
    assert base64.b64decode(page[start : page.index('"', start)]) == made.pictures[0].png


def test_only_an_address_in_the_markup_is_replaced(message) -> None:
    made = message(html="<p>say src=&quot;cid:strip&quot; and cid:strip</p><img src='cid:strip' alt=''>")
    assert standalone_page(made).startswith("<p>say src=&quot;cid:strip&quot; and cid:strip</p><img src='data:")


def test_a_picture_that_is_not_carried_is_refused(message) -> None:
    with pytest.raises(ValueError, match="cid:section"):
        standalone_page(message(html='<img src="cid:section">'))


@pytest.mark.parametrize("cid", ["", "a b", "a>b", "-a", "a" * 65, "a\n"])
def test_a_cid_is_plain(cid: str) -> None:
    with pytest.raises(ValueError, match="cid"):
        Picture(cid=cid, file_name="a.png", alt="", png=b"")
