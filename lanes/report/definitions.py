"""How each figure of a reading is defined: formula and source, as printed in the report.

Each source names its edition; what was not seen in print ends in "(from memory)".
"""

from __future__ import annotations

from dataclasses import dataclass

from lanes.measuring import LIMIT_WIDTH


@dataclass(frozen=True)
class Definition:
    """One figure: its name, formula, meaning and source, in plain text."""

    name: str
    formula: str
    meaning: str
    source: str


_IUPAC = "IUPAC, Nomenclature for chromatography, Pure Appl. Chem. 65, 819 (1993)"
_EP = "European Pharmacopoeia, 11th edition (2022), 2.2.46 (from memory)"

DEFINITIONS = (
    Definition(
        "Rf, hRf",
        "Rf = b / a;  hRf = 100 Rf",
        "b is the distance from the origin line to the spot's apex, a that to the solvent front, "
        "both along the lane's own path: a front that smiles or a lane that leans is followed.",
        f"{_IUPAC}, p.\u00a0845",
    ),
    Definition(
        "Area",
        "A = ∬ signal dx dy",
        "Signal over the spot's whole extent, in signal × mm²: summed across the lane, then the "
        "area of the fitted component along it.",
        "common practice",
    ),
    Definition(
        "Area %",
        "100 A / ΣA",
        "Share of the signal of all spots found in the lane. It is not mass percent: compounds "
        "answer the light differently, and what gives no signal is not counted.",
        "common practice",
    ),
    Definition(
        "Width",
        "wh = 2.355 σ for a Gaussian",
        "Full width of the fitted component at half its height, along the lane.",
        "closed form: 2 √(2 ln 2) = 2.35482",
    ),
    Definition(
        "Resolution Rs",
        "Rs = 1.18 (d2 − d1) / (wh1 + wh2)",
        "d is a spot's distance from the origin, wh its width at half height. The factor 1.18 "
        "reads 0.22\u00a0% above separation / 4σ. Two equal spots show one maximum below "
        "Rs\u00a00.5 and are apart to the baseline at Rs\u00a01.5.",
        _EP,
    ),
    Definition(
        "Valley / peak",
        "lowest point between two spots / the smaller one's apex",
        "Read from the fitted sum above its background; 1 means no valley.",
        "the inverse of peak-to-valley in USP <621>, harmonised text of 2022 (from memory)",
    ),
    Definition(
        "Symmetry",
        "As = w0.05 / 2d",
        "w0.05 is the width at 5 % of the height, d its part on the solvent front's side of the "
        "apex. 1 is symmetric; above 1 the spot tails.",
        _EP,
    ),
    Definition(
        "Plate number N",
        "N = 5.54 (z / wh)²",
        "z is the spot's own distance from the origin.",
        f"{_IUPAC}; 5.54 is 8\u00a0ln\u00a02",
    ),
    Definition(
        "S/N",
        "2 H / h",
        "H is the spot's height, h the range over which 100 independent samples of clean layer "
        "scatter: 5.02 times their standard deviation. The range grows with the number of "
        "samples, so it is kept to 100.",
        _EP,
    ),
    Definition(
        "No spot above",
        "the area of a spot found half of the time",
        f"For a spot {LIMIT_WIDTH:g} times as wide as the lane's own (their median). Stated "
        "for every lane, so that an empty lane is an answer and not a silence.",
        "common practice",
    ),
    Definition(
        "± (sd)",
        "one standard deviation",
        "Of all that is doubted: the noise of this plate, the correlation of neighbouring samples "
        "included; how far spots' shapes depart from the formula; for area percent the law and the "
        "layer's reflectance; for Rf how well the two lines are placed. In brackets, the noise "
        "alone, where it differs. The spotting and the development are not in it.",
        "common practice",
    ),
    Definition(
        "AICc, BIC",
        "n ln(RSS/n) + 2k + 2k(k+1)/(n−k−1);  n ln(RSS/n) + k ln n",
        "Scores of the fits tried, with n samples and k parameters: the lower the better.",
        "Hurvich & Tsai, Biometrika 76, 297 (1989); Schwarz, Ann. Stat. 6, 461 (1978) "
        "(from memory)",
    ),
)

LAWS = {
    "kubelka-munk": Definition(
        "Signal: Kubelka-Munk",
        "F(R) − F(R layer), F(R) = (1 − R)² / 2R",
        "R is reflectance in linear light. In theory proportional to the amount in a thick "
        "layer that scatters evenly; in practice only a calibration tells.",
        "Kubelka & Munk, Z. Tech. Phys. 12, 593 (1931)",
    ),
    "optical density": Definition(
        "Signal: optical density",
        "−log10(E / E layer)",
        "E is the light that comes from the spot, in linear light, E layer that of the clean "
        "layer. Relative density, as the scanner is not characterised.",
        "common practice",
    ),
    "emission": Definition(
        "Signal: emission",
        "E − E layer",
        "E is the light that comes from the spot, in linear light. Strong spots quench themselves "
        "and read low.",
        "common practice",
    ),
}

CAUTIONS = (
    (
        "What the numbers may be used for",
        "These results are not validated for release, clinical or forensic decisions.",
    ),
    (
        "Area percent is not mass percent",
        "Amounts need a calibration with the same compound, on the same plate where possible.",
    ),
    (
        "The law bends small against large",
        "Where signal does not grow in proportion to amount, a strong spot reads too small beside "
        "a weak one, and the share of the weak one too large. Quote the law with the number.",
    ),
    (
        "UV lamps",
        "254 and 366 nm harm eyes and skin: use the cabinet or glasses and gloves made for it.",
    ),
    (
        "Solvents",
        "Many are flammable and toxic: work in a fume hood, away from flames and hot plates; "
        "close the chamber.",
    ),
    (
        "Stains and reagents",
        "Sprays, dips and charring use corrosive, toxic or oxidising chemicals and heat: hood, "
        "gloves, glasses.",
    ),
    (
        "Silica dust",
        "Do not breathe it when scraping or cutting plates: wet it, or work in the hood.",
    ),
    (
        "Local rules come first",
        "These are the usual cautions only. Local codes, safety data sheets and licensed practice "
        "take precedence.",
    ),
)
