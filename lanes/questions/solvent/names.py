"""Which of two solvents is the stronger on silica, by their names."""

from __future__ import annotations

from lanes.flags import Flag, flag

# The eluotropic order; strengths differ between editions, so only the order is used (Snyder,
# Principles of Adsorption Chromatography, 1968; from memory).
RANKS = {
    "hexane": 0, "hexanes": 0, "n-hexane": 0,
    "toluene": 1,
    "diethyl ether": 2, "ether": 2, "dichloromethane": 2, "dcm": 2, "methylene chloride": 2,
    "ethyl acetate": 3, "etoac": 3, "acetone": 3,
    "methanol": 4, "meoh": 4,
}


def order_flag(weak: str | None, strong: str | None) -> tuple[Flag, ...]:
    """Return a remark where both names are known and the strong one is the weaker."""
    ranks = [None if name is None else RANKS.get(" ".join(name.lower().split()))
             for name in (weak, strong)]
    if ranks[0] is None or ranks[1] is None or ranks[1] > ranks[0]:
        return ()
    if ranks[1] == ranks[0]:
        return (flag("solvent-order", f"{strong} is about as strong as {weak} on silica"),)
    return (flag("solvent-order", f"{strong} is weaker than {weak} on silica"),)
