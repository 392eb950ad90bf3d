"""Templates are data: what they may hold, what is refused, and that a reply fits as a whole or not at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.text_template import Field, Number, Template, Value, Word, Words, may_be_same, parse

ASCII = "only printable ASCII is allowed, and `line end` says how a line ends"
FIELDS: dict[str, Field | str] = {
    "unit": "7",
    "image": Number(16, 2),
    "channel": Number(10),
    "state": Word("ON", "OFF"),
    "maker": Words(),
    "product": Words(),
}


@pytest.mark.parametrize(
    ("text", "values", "line"),
    [
        pytest.param("plain words", {}, "plain words", id="no placeholder"),
        pytest.param("OUT {unit} {image}", {"image": 10}, "OUT 7 0A", id="unit and image"),
        pytest.param("{image}", {"image": 255}, "FF", id="nothing but an image"),
        pytest.param(
            "{image}{state}", {"image": 1, "state": 1}, "01ON", id="side by side, the first of fixed size"
        ),
        pytest.param("{state}{image}", {"image": 1, "state": 0}, "OFF01", id="a word before digits"),
        pytest.param(
            "R{channel}={state}", {"channel": 12, "state": 0}, "R12=OFF", id="channel ended by text"
        ),
        pytest.param("{state} {channel}", {"channel": 0, "state": 1}, "ON 0", id="channel at the end"),
        pytest.param(
            "by {maker}, {product}", {"maker": "A", "product": "B, C"}, "by A, B, C", id="text to text"
        ),
        pytest.param("<{maker}>", {"maker": ""}, "<>", id="text may be none"),
        pytest.param("100% [a-z]* $1 \\d %s", {}, "100% [a-z]* $1 \\d %s", id="no pattern means anything"),
    ],
)
def test_what_is_said_is_what_is_read(text: str, values: dict[str, Value], line: str) -> None:
    template = parse(text, FIELDS)
    assert template.write(values) == line
    assert template.read(line) == values


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "is empty; give the command or reply as the board's manual prints it"),
        ("A {", "has a { at character 3 that is not closed"),
        ("A {image", "has a { at character 3 that is not closed"),
        ("A }", "has a } at character 3 without a { before it"),
        ("{image}}", "has a } at character 8 without a { before it"),
        ("{}", "has a { at character 1 with no placeholder in it"),
        ("{{image}}", "has a { at character 1 with no placeholder in it"),
        ("{image{unit}}", "has a { at character 1 with no placeholder in it"),
        ("{image} {image}", "has {image} twice"),
        ("{unit}{unit}", "has {unit} twice"),
        ("{channel}{image}", "has {image} right behind {channel}, whose end cannot be told"),
        ("{channel}7", "has '7' right behind {channel}, which may end with it itself"),
        ("{channel}{unit}", "has '7' right behind {channel}, which may end with it itself"),
        ("{maker}{product}", "has {product} right behind {maker}, whose end cannot be told"),
        (
            "A\tB",
            f"has '\\t' as character 2; {ASCII}",
        ),
        (
            "A\r",
            f"has '\\r' as character 2; {ASCII}",
        ),
        (
            "A\0",
            f"has '\\x00' as character 2; {ASCII}",
        ),
        (
            "\N{DIGIT ONE}é",
            f"has '\\xe9' as character 2; {ASCII}",
        ),
        (
            "\uff11",
            f"has '\\uff11' as character 1; {ASCII}",
        ),
        ("x" * 10_000, "has 10000 characters; 200 are the most"),
        ("{image}" * 2000, "has 14000 characters; 200 are the most"),
    ],
)
def test_what_is_no_template(text: str, problem: str) -> None:
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole message is compared
        parse(text, FIELDS)
    assert str(caught.value) == problem


@pytest.mark.parametrize(
    "name",
    [
        "0",
        "image.__class__",
        "0.__class__",
        "image!r",
        "image:02x",
        "image[0]",
        " image",
        "IMAGE",
        "%s",
        "__import__",
        "self",
    ],
)
def test_no_format_string_trick_is_a_placeholder(name: str) -> None:
    with pytest.raises(ValueError, match="may stand there") as caught:
        parse(f"A {{{name}}}", FIELDS)
    assert str(caught.value).startswith(
        f"has a placeholder {name!r}; {{unit}}, {{image}}, {{channel}}, {{state}},"
    )
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "OUT 7 0",
        "OUT 7 0A ",
        " OUT 7 0A",
        "OUT 7 0AA",
        "OUT 7 0a",
        "out 7 0A",
        "OUT 8 0A",
        "OUT 77 0A",
        "OUT 7  A",
        "OUT 7 0G",
        "OUT 7 +1",
        "OUT 7 0A\r",
    ],
)
def test_a_reply_that_is_not_exactly_so_is_none(line: str) -> None:
    assert parse("OUT {unit} {image}", FIELDS).read(line) is None


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        (Number(2, 8), 5, "00000101"),
        (Number(2, 8, mirrored=True), 5, "10100000"),
        (Number(16, 4), 0xABC, "0ABC"),
        (Number(16, 4, upper=False), 0xABC, "0abc"),
        (Number(10, 3), 7, "007"),
        (Number(10), 0, "0"),
        (Number(10), 65535, "65535"),
        (Word("1", "0"), 1, "1"),
    ],
)
def test_fields(field: Field, value: Value, text: str) -> None:
    assert field.write(value) == text
    assert field.read(text, 0, "") == (value, len(text))


@pytest.mark.parametrize("text", ["00", "01", "", "A", "-1", "\N{ARABIC-INDIC DIGIT ONE}"])
def test_a_number_of_its_own_length_has_one_form_only(text: str) -> None:
    assert Number(10).read(text, 0, "") in (None, (0, 1))
    assert parse("{channel}", FIELDS).read(text) is None


def test_a_value_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="256 does not fit into 2 digits"):
        Number(16, 2).write(256)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("IN {image}", "OUT {image}", False),
        ("{image} in", "{image} out", False),
        ("{image}", "{image}", True),
        ("{image}", "{image}.", False),
        ("V {channel}", "V {image}", True),
        ("V {channel}", "VV {image}", False),
        ("{maker}", "{image}", True),
        ("A {maker} B", "A {product}", True),
    ],
)
def test_answers_that_could_be_mistaken_for_each_other(one: str, other: str, same: bool) -> None:
    first, second = parse(one, FIELDS), parse(other, FIELDS)
    assert may_be_same(first, second) is may_be_same(second, first) is same


PIECES = st.text(alphabet=" ABCxyz:=#%", min_size=1, max_size=5)


@st.composite
def templates(draw: st.DrawFn) -> tuple[Template, dict[str, Value]]:
    names = draw(st.permutations(["unit", "image", "channel", "state"]))
    text = draw(PIECES)
    for name in names[: draw(st.integers(0, 4))]:
        text += f"{{{name}}}" + draw(PIECES)
    values = {
        "image": draw(st.integers(0, 255)),
        "channel": draw(st.integers(0, 999)),
        "state": draw(st.integers(0, 1)),
    }
    template = parse(text, FIELDS)
    return template, {name: value for name, value in values.items() if name in template.names}


@given(templates(), templates())
def test_every_line_is_read_as_it_was_written_and_never_as_what_it_cannot_be(
    one: tuple[Template, dict[str, Value]], other: tuple[Template, dict[str, Value]]
) -> None:
    (template, values), (second, _) = one, other
    line = template.write(values)
    assert template.read(line) == values
    if second.read(line) is not None:
        assert may_be_same(template, second)


@given(templates(), st.data())
def test_a_character_more_less_or_other_is_never_the_same_reading(
    one: tuple[Template, dict[str, Value]], data: st.DataObject
) -> None:
    template, values = one
    line = template.write(values)
    place = data.draw(st.integers(0, len(line) - 1))
    other = data.draw(st.sampled_from("\0\x7f~{"))
    assert template.read(line[:place] + other + line[place + 1 :]) is None
    assert template.read(line[:place] + other + line[place:]) is None
    assert template.read(line + other) is None


@given(st.text(max_size=300))
def test_any_text_is_a_template_or_is_refused_in_one_line(text: str) -> None:
    problem = ""
    try:
        template = parse(text, FIELDS)
    except ValueError as error:
        problem = str(error)
    else:
        assert all(" " <= character <= "~" for character in text)
        assert template.parts
    assert "\n" not in problem
    assert problem.isascii()
