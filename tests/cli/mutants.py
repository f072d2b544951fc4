"""Every shipped file, damaged as a person, an editor or a bad card would: drawn, and told by what was done.

A mutant is drawn from one seed alone, so that the seed printed with a failure brings it back.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import NamedTuple

CONFIG = Path(__file__).parents[2] / "config"
FILES = tuple(sorted(str(path.relative_to(CONFIG)) for path in CONFIG.rglob("*.toml")))

VALUES = (
    *("0", "-1", "1", "2.5", "-0.0", "1e-320", "1e15", "1e308", "-1e308", "9007199254740993", "1_0"),
    *("inf", "-inf", "nan", "true", "false", "[]", "{}", "[[]]", "[1]", "[1, 2, 3]", "[2, 1]", "[300, 1500]"),
    *("[5, 15]", "[inf, inf]", "[nan, 1]", '["a", "b"]', "[true, 1]", "[-1, 1]", "{ a = 1 }", "[{ a = 1 }]"),
    *(
        '""',
        '" "',
        '"text"',
        '"a\\nb"',
        '"\\u001b[2J"',
        '"\\u0000"',
        '"é"',
        '"\U0001f4a7"',
        '"\u202e"',
        "'x'",
    ),
    *(
        '"../../etc/passwd"',
        '"/"',
        '"."',
        '".."',
        '"lamps"',
        '"lamps/type-z.toml"',
        '"a=b"',
        '"0.5"',
        '"inf"',
    ),
    *("1979-05-27", "1979-05-27T07:32:00Z", "07:32:00", "0x" + "f" * 40, "9" * 400, "1." + "0" * 300),
    *(
        '"' + "x" * 59 + '"',
        '"' + "x" * 300 + '"',
        '"' + "\U0001f4a7" * 60 + '"',
        '"' + "long word " * 600 + '"',
    ),
    *(
        "[" + "1, " * 500 + "1]",
        "[" * 30 + "]" * 30,
        '"""\ntwo\nlines"""',
        "",
        "#",
        "word",
        "0.1.2",
        "1e",
        "[1, ",
        '"',
    ),
    *('"gpio"', '"modbus"', '"simulated"', '"step"', '"count"', '"next"', '"sunset"', '"21:30"', '"primary"'),
)
"""What may stand instead of any value: every type, every size, other words that files hold, and what is no TOML."""
LINES = (
    *(
        "[site]",
        "[[site]]",
        "[circuit]",
        "[[circuit]]",
        "[[slot]]",
        "[[exception]]",
        "[lamp]",
        "[[scene]]",
        "[off]",
    ),
    *(
        "[supply]",
        "[supply.x]",
        "[sense]",
        "[sense.x]",
        "[inputs]",
        "[inputs.x]",
        "[serve]",
        "[relay]",
        "[[]]",
        "[]",
    ),
    *(
        "x = 1",
        "a.b = 1",
        "name.first = 1",
        "site.name = 1",
        "= 1",
        "x",
        "x =",
        "'' = 1",
        '"a\\nb" = 1',
        "[a.b",
    ),
    *(
        "supply = 1",
        "sense = 1",
        "inputs = 1",
        "slot = 1",
        "exception = 1",
        "scene = 1",
        "circuit = 1",
        "timing = []",
    ),
    *(
        "x = 1\nx = 2",
        "x = 1\nx.y = 2",
        "x = {}\nx.y = 2",
        "x = []\n[[x]]",
        "[x]\n[x]",
        "[[y]]\n[y]",
        "x = {a=1,a=2}",
    ),
    *(
        "x = 'a",
        'x = "\\q"',
        'x = "\\uD800"',
        'x = "\\u12"',
        "x = 2026-13-45",
        "x = {",
        "x = [1 2]",
        "x = 1 2",
        "\x07",
    ),
    *(
        "[circuit.lamp]",
        "[[circuit.lamp]]",
        "[[circuit.relay]]",
        "[scene.picks]",
        "a." * 60 + "b = 1",
        "x = " + "[" * 999,
    ),
)
"""What may stand on a line of its own."""


class Mutant(NamedTuple):
    """A shipped file (by its path in ``config``) and what stands there instead of it.

    ``line`` and ``key``: of the one value that was replaced; else 0 and "". ``another_type``: by one of another type,
    so that a message must name both. ``raw``: the new bytes; ``None``: nothing is there, or a folder.
    """

    file: str
    what: str
    raw: bytes | None
    folder: bool = False
    line: int = 0
    key: str = ""
    another_type: bool = False


def drawn(random: Random) -> Mutant:
    """One damaged file; often a single damage, now and then two or three."""
    file = random.choice(FILES)
    text = (CONFIG / file).read_text(encoding="utf-8")
    if random.random() < 0.12:
        return _whole(random, file, text)
    if random.random() < 0.35:
        return _value(random, file, text)
    told = []
    for _ in range(random.choice((1, 1, 1, 1, 2, 3))):
        damage = random.choice(_DAMAGES)
        text, what = damage(random, text)
        told.append(what)
    return Mutant(file, ", then ".join(told), text.encode("utf-8", "surrogatepass"))


def _whole(random: Random, file: str, text: str) -> Mutant:
    """The file as a whole is something else."""
    raw, at = text.encode(), random.randrange(len(text))
    noise = bytes(random.randrange(256) for _ in range(8))
    made = {
        "absent": None,
        "a folder": None,
        "empty": b"",
        "cut off": raw[:at],
        "CRLF": raw.replace(b"\n", b"\r\n"),
        "CR": raw.replace(b"\n", b"\r"),
        "BOM": b"\xef\xbb\xbf" + raw,
        "two BOMs": b"\xef\xbb\xbf" * 2 + raw,
        "UTF-16": text.encode("utf-16"),
        "Latin-1": raw[:at] + "é".encode("latin-1") + raw[at:],
        "noise": raw[:at] + noise + raw[at:],
        "zeros": raw[:at] + bytes(len(raw) - at),
        "too long": raw + b"# \n" * 100_000,
        "twice": raw + raw,
        "another's": (CONFIG / random.choice(FILES)).read_bytes(),
        "deep": raw + b"\nx = " + b"[" * 5000,
    }
    what = random.choice(list(made))
    return Mutant(file, what, made[what], what == "a folder")


def _set_lines(text: str) -> list[int]:
    """The lines, from 0, on which a key is set to a value that ends on them."""
    return [
        n
        for n, line in enumerate(text.split("\n"))
        if re.match(r"[\w-]+ = [^\[{]*$|[\w-]+ = [\[{].*[\]}]\s*(#.*)?$", line)
    ]


def _value(random: Random, file: str, text: str) -> Mutant:
    """One key set to another value."""
    lines = text.split("\n")
    at = random.choice(_set_lines(text) or [0])
    key, _, value = lines[at].partition(" = ")
    new = random.choice((random.choice(VALUES), _altered(random, value.partition(" #")[0].strip())))
    lines[at] = f"{key} = {new}"
    other = _type(new) not in {"", _type(value.partition(" #")[0].strip())}
    raw = "\n".join(lines).encode("utf-8", "surrogatepass")
    return Mutant(file, f"line {at + 1}: {lines[at][:60]}", raw, line=at + 1, key=key, another_type=other)


def _type(value: str) -> str:
    """The TOML type of a value, two of numbers as one; nothing where it is no TOML of one line, or may be either."""
    try:
        found = tomllib.loads(f"x = {value}")
    except ValueError:
        return ""
    kind = type(found["x"]).__name__ if list(found) == ["x"] else ""
    return (
        ""
        if kind in {"date", "datetime", "time"}
        else kind.replace("int", "number").replace("float", "number")
    )


def _altered(random: Random, value: str) -> str:
    """A value mistaken in the ways of its own kind."""
    if re.fullmatch(r"\[[^\[\]{},]+, [^\[\]{},]+\]", value):
        one, other = value[1:-1].split(", ")
        ways = [f"[{other}, {one}]", f"[{one}]", f"[{one}, {other}, {other}]", f"{one}", f"[{one} {other}]"]
        ways += [f'["{one}", {other}]', f"[{one}, {one}]", f"[{_thousandfold(one)}, {_thousandfold(other)}]"]
        return random.choice(ways)
    if value.startswith('"'):
        bare = value.strip('"')
        ways = [
            bare,
            f"[{value}]",
            f'"{bare.upper()}"',
            f'" {bare}"',
            f'"{bare}',
            f"{bare!r}",
            f'"{bare[1:]}"',
        ]
        return random.choice(ways)
    return random.choice([f'"{value}"', f"-{value}", f"[{value}]", _thousandfold(value), f"{value}0000000"])


def _thousandfold(number: str) -> str:
    try:
        return f"{float(number) * 1000:g}"
    except ValueError:
        return number


def _delete_line(random: Random, text: str) -> tuple[str, str]:
    lines = text.split("\n")
    at = random.choice([n for n, line in enumerate(lines) if line and not line.startswith("#")] or [0])
    return "\n".join(lines[:at] + lines[at + 1 :]), f"without {lines[at][:40]!r}"


def _double_line(random: Random, text: str) -> tuple[str, str]:
    lines = text.split("\n")
    at = random.choice([n for n, line in enumerate(lines) if line and not line.startswith("#")] or [0])
    to = random.choice((at, random.randrange(len(lines))))
    return "\n".join([*lines[:to], lines[at], *lines[to:]]), f"{lines[at][:40]!r} again in line {to + 1}"


def _tables(text: str) -> list[str]:
    return re.split(r"(?m)^(?=\[)", text)


def _delete_table(random: Random, text: str) -> tuple[str, str]:
    tables = _tables(text)
    at = random.randrange(len(tables))
    return "".join(tables[:at] + tables[at + 1 :]), f"without table {tables[at][:30]!r}"


def _double_table(random: Random, text: str) -> tuple[str, str]:
    tables = _tables(text)
    at, to = random.randrange(len(tables)), random.randrange(len(tables))
    return "".join([*tables[:to], tables[at], *tables[to:]]), f"table {tables[at][:30]!r} again"


def _swap_tables(random: Random, text: str) -> tuple[str, str]:
    tables = _tables(text)
    random.shuffle(tables)
    return "".join(tables), "tables in another order"


def _misspell(random: Random, text: str) -> tuple[str, str]:
    """A letter of a key, of a header or of a word in quotes lost, doubled, swapped with the next, or a capital."""
    words = list(re.finditer(r'(?m)^[\w-]+(?= =)|(?<=\[)[\w.-]+(?=\])|(?<=")[\w .-]+(?=")', text))
    if not words:
        return text, "nothing to misspell"
    word = random.choice(words)
    at = random.randrange(len(word[0]))
    w = word[0]
    new = random.choice(
        (
            w[:at] + w[at + 1 :],
            w[:at] + w[at] + w[at:],
            w[:at] + w[at : at + 2][::-1] + w[at + 2 :],
            w.upper(),
        )
    )
    return text[: word.start()] + new + text[word.end() :], f"{w!r} as {new!r}"


def _token(random: Random, text: str) -> tuple[str, str]:
    """Any word, bracket, comma or space replaced by any value."""
    parts = re.split(r"(\s+|[\[\],={}\"])", text)
    at = random.randrange(len(parts))
    old, parts[at] = parts[at], random.choice(VALUES)
    return "".join(parts), f"{old[:30]!r} as {parts[at][:30]!r}"


def _letter(random: Random, text: str) -> tuple[str, str]:
    """One character lost, or one more."""
    at = random.randrange(len(text) + 1)
    new = random.choice(
        ("", "\x00", "\x1b", "\x7f", "\t", "\r", "\u2028", "\ud800", "[", "]", '"', "'", "=", ".", "\\", "é")
    )
    kept = text[at + 1 :] if not new or random.random() < 0.5 else text[at:]
    return text[:at] + new + kept, f"character {at} as {new!r}"


def _line(random: Random, text: str) -> tuple[str, str]:
    """One more line."""
    lines = text.split("\n")
    at, new = random.randrange(len(lines) + 1), random.choice(LINES)
    return "\n".join([*lines[:at], new, *lines[at:]]), f"{new[:30]!r} in line {at + 1}"


def _set(random: Random, text: str) -> tuple[str, str]:
    made = _value(random, "", text)
    assert made.raw is not None
    return made.raw.decode("utf-8", "surrogatepass"), made.what


_DAMAGES: tuple[Callable[[Random, str], tuple[str, str]], ...] = (
    *(_delete_line, _double_line, _delete_table, _double_table, _swap_tables),
    *(_misspell, _misspell, _token, _letter, _line, _set),
)
