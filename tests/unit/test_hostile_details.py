"""Small things that once gave a traceback, or an answer that helped nobody."""

from __future__ import annotations

import pytest

from conftest import run_strobewise
from strobewise.files.reading import read_toml
from strobewise.profile.fields import TABLES_MAX

BODY = b'#0 1! 1"\n' + b"".join(b"#%d %d! %d\"\n" % (100 * i, i & 1, i >> 1 & 1) for i in range(1, 200))


def write(path, declarations):
    path.write_bytes(b"$timescale 1 ns $end\n" + declarations + b"$enddefinitions $end\n" + BODY)
    return path


def test_an_id_of_a_string_and_of_a_line(tmp_path):
    capture = write(tmp_path / "x.vcd", b'$var string 1 ! note $end\n$var wire 1 ! M1 $end\n$var wire 1 " MREQ $end\n')
    done = run_strobewise("diagnose", capture, "--html", tmp_path / "x.html")
    assert done.returncode in (0, 1, 3) and b"Traceback" not in done.stderr


def test_ram_at_the_very_end(tmp_path):
    scenario = tmp_path / "s.toml"
    regions = (("rom", 0, 0x1FFF), ("ram", 65535, 65535))
    tables = "".join(f'[[memory]]\nkind = "{kind}"\nstart = {start}\nend = {end}\n' for kind, start, end in regions)
    scenario.write_text(tables + '[[contents]]\nprogram = "patrol"\n[capture]\nduration_s = 0.0002\n')
    done = run_strobewise("simulate", scenario, "-o", tmp_path / "x.vcd")
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize(("said", "number"), [("M1=M1#1", 0), ("M1=M1#2", 1)])
def test_the_second_channel_of_a_name(said, number, tmp_path):
    capture = write(tmp_path / "x.vcd", b'$var wire 1 ! M1 $end\n$var wire 1 " M1 $end\n')
    done = run_strobewise("lines", capture, "--map", said, "--json", tmp_path / "x.json")
    assert done.returncode == 0, done.stderr
    from strobewise.capture import open_capture
    from strobewise.capture.channels.mapping import map_channels

    with open_capture(str(capture)) as opened:
        assert [use.line for use in map_channels(opened.header.channels, [said]).uses].index("M1") == number


def test_which_of_two_is_said_with_a_remedy_that_works(tmp_path):
    capture = write(tmp_path / "x.vcd", b'$var wire 1 ! M1 $end\n$var wire 1 " M1 $end\n')
    assert b"say which, as --map M1=M1#1 or M1#2" in run_strobewise("lines", capture).stderr
    assert all(run_strobewise("lines", capture, "--map", f"M1=M1#{n}").returncode != 2 for n in (1, 2))
    assert b"or M1#2 for the second" in run_strobewise("lines", capture, "--map", "M1=M1").stderr
    assert b"there is no channel 'M1#3'" in run_strobewise("lines", capture, "--map", "M1=M1#3").stderr


def test_no_error_is_longer_than_a_terminal_can_bear(tmp_path):
    names = b"".join(b"$var wire 1 a%d " % i + b"N" * 900 + b"%d $end\n" % i for i in range(12))
    capture = write(tmp_path / "x.vcd", names + b'$var wire 1 ! P $end\n$var wire 1 " Q $end\n')
    done = run_strobewise("cycles", capture)
    assert done.returncode == 2 and len(done.stderr) < 1100 and done.stderr.endswith(b"\n")


MOST = 4 * 10**18  #: ticks, the last time that a capture may have: see capture/limits.py


@pytest.mark.parametrize("last", [2**53 + 1, 2**61, MOST - 1, MOST, MOST + 1, 2**62, 2**63 - 20, 2**63 - 1, 2**63])
@pytest.mark.parametrize("begins", ["early", "late", "at its end"])
@pytest.mark.parametrize("scale", ["1 fs", "100 s"])
def test_the_page_overflows_at_no_time(scale, begins, last, tmp_path, capsys):
    """An OverflowError once, found by fuzzing: windows of a capture whose first time is late ended beyond what 64 bits hold."""
    from strobewise_cli.main import main

    declared = b'$var wire 1 ! M1 $end\n$var wire 1 " MREQ $end\n$var wire 1 % CLK $end\n'
    times = {"early": [0, 3, 9, last - 5, last], "late": [last - 9, last - 5, last], "at its end": [last]}[begins]
    body = b"".join(b"#%d %d! %d\" %d%%\n" % (time, at & 1, at >> 1 & 1, at & 1) for at, time in enumerate(times))
    (tmp_path / "x.vcd").write_bytes(b"$timescale " + scale.encode() + b" $end\n" + declared + b"$enddefinitions $end\n" + body)
    status = main(["diagnose", str(tmp_path / "x.vcd"), "--html", str(tmp_path / "x.html")])
    said = capsys.readouterr().err
    assert (status == 2 and f"is beyond {MOST} ticks" in said) if last > MOST else status in (0, 1, 3), said
    assert last > MOST or (tmp_path / "x.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


DEEP = {
    "key": "a" + ".a" * 400_000 + " = 1", "table": "[a" + " . a" * 200_000 + "]", "quoted": "'a'" + ".\"a\"" * 200_000 + " = 1",
    "inline": "x = {a" + ".a" * 400_000 + " = 1}", "array": "[[a" + ".a" * 400_000 + "]]",
}  # fmt: skip


@pytest.mark.parametrize("text", DEEP.values(), ids=DEEP)
def test_a_key_of_endless_parts_is_refused_before_it_is_parsed(text, tmp_path):
    """Python's parser takes the square of their number: a minute for a file of a megabyte."""
    (tmp_path / "x.toml").write_text(text)
    with pytest.raises(ValueError, match="too many parts"):
        read_toml(tmp_path / "x.toml")


def test_a_key_of_some_parts_and_dots_in_strings_are_read(tmp_path):
    (tmp_path / "x.toml").write_text("a" + ".a" * 15 + " = 1\n" + 'd = "' + "3f." * 1000 + '"\n# b' + ".b" * 1000 + "\n")
    assert read_toml(tmp_path / "x.toml")["d"] == "3f." * 1000


RUNS = '[[memory]]\nkind = "ram"\nstart = 0\nend = 65535\n[[contents]]\nat = 0\nhex = "00"\n'


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ("lines x.vcd --machine x.toml", "".join(f'[[lines]]\nname = "X{n}"\n' for n in range(TABLES_MAX + 1))),
        ("lines x.vcd --machine x.toml", '[[memory]]\nkind = "ram"\nstart = 0\nend = 1\n' * (TABLES_MAX + 1)),
        ("case show .", 'version = 1\nsymptom = "dead"\nopened = "x"\n' + "[[items]]\n" * (TABLES_MAX + 1)),
        ("verify x.vcd --expect x.toml", "version = 1\n" + "[[required]]\n" * (TABLES_MAX + 1)),
        ("simulate x.toml", RUNS + '[[fault]]\nkind = "dead"\n' * (TABLES_MAX + 1)),
    ],
    ids=["lines", "memory", "items", "required", "fault"],
)  # fmt: skip
def test_no_file_has_endless_tables(words, text, tmp_path):
    """Each is held against the others: 50,000 lines took 20 s."""
    write(tmp_path / "x.vcd", b'$var wire 1 ! M1 $end\n$var wire 1 " MREQ $end\n')
    (tmp_path / ("case.toml" if words.startswith("case") else "x.toml")).write_text(text)
    done = run_strobewise(*words.split(), cwd=tmp_path)
    assert done.returncode == 2 and b"1001 tables" in done.stderr and b"1000 at most" in done.stderr, done.stderr
