"""How an answer leaves the program: the command it prints to be asked again."""

import pytest

from lanes.report.deliver import _asked


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        (["purity", "plate.png", "--lane", "a b"], "lanes purity plate.png --lane 'a b'"),
        (["purity", "plate.png", "--out", "x", "--force", "--json"], "lanes purity plate.png"),
        (["purity", "plate.png", "--out=x"], "lanes purity plate.png"),
        (["purity", "/home/someone/plate.png"], "lanes purity plate.png"),
        (["purity", "p.png", "--settings=/home/someone/s.toml"],
         "lanes purity p.png --settings=s.toml"),
        (["solvent", "/home/someone/a.png=15%"], "lanes solvent a.png=15%"),
        (["purity", "../plate.png"], "lanes purity ../plate.png"),
        ([], ""),
    ],
)
def test_the_command_is_printed_without_where_things_lie(typed, printed):
    assert _asked(typed) == printed
