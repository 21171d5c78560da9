"""The questions' forms: what each asks for, and the words of the command that answers it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lanes.about import HIGHEST_RF, LOWEST_RF
from lanes.errors import InputError

LONGEST = 400  # characters of one entry


@dataclass(frozen=True)
class Field:
    """One entry of a form.

    `kind` is "lane", "lanes" (several), "spot" (a lane and an Rf, by a click), "number" or "text".
    `option` is the command's own, and `hint` a few words under the entry.
    """

    key: str
    label: str
    kind: str
    option: str
    hint: str = ""
    needed: bool = False
    start: str = ""


@dataclass(frozen=True)
class Form:
    """One question: its title in plain words and its entries."""

    question: str
    title: str
    fields: tuple[Field, ...]


FORMS = (
    Form("shoulder", "Is this spot one component or two?", (
        Field("spot", "Spot", "spot", "--rf", "click it on the plate, the trace or in the table",
              True),
        Field("shape", "Lane of a pure substance", "lane", "--shape-from",
              "its spot's shape is held against two"),
    )),
    Form("purity", "How pure is it?", (
        Field("spot", "Main spot", "spot", "--main", "the sample's lane, and its main spot", True),
    )),
    Form("compare", "Is it the same substance?", (
        Field("unknown", "Unknown", "lane", "--unknown", needed=True),
        Field("reference", "References", "lanes", "--reference", needed=True),
        Field("cospot", "Co-spot lane", "lane", "--cospot",
              "unknown and references applied in one place"),
    )),
    Form("follow", "How far is the reaction?", (
        Field("times", "Times", "text", "--times",
              "one a lane, commas between; or set them lane by lane"),
        Field("unit", "Unit of time", "text", "--unit", start="min"),
        Field("start", "Starting material", "spot-rf", "--start"),
        Field("product", "Product", "spot-rf", "--product"),
        Field("reference", "Inert reference", "spot-rf", "--reference"),
    )),
    Form("fractions", "Which fractions to pool?", (
        Field("target", "Wanted spot", "spot-rf", "--target", needed=True),
        Field("purity", "Purity asked, area percent", "number", "--purity", needed=True,
              start="95"),
        Field("volumes", "Volumes", "text", "--volumes", "one a lane, commas between; all alike"),
        Field("lanes", "Fractions", "lanes", "--fractions", "all, where none is chosen"),
    )),
    Form("amount", "How much is in it?", (
        Field("standards", "Standards", "text", "--standards",
              "LANE=AMOUNT, commas between; or set amounts lane by lane"),
        Field("unit", "Unit", "text", "--unit", "such as ug"),
        Field("spot", "Spot", "spot-rf", "--rf", "the largest, where none is chosen"),
        Field("unknown", "Samples", "lanes", "--unknown", "all others, where none is chosen"),
    )),
    Form("solvent", "Which solvent mixture next?", (
        Field("fraction", "Stronger solvent on this plate", "text", "",
              "share by volume, such as 30%", True),
        Field("others", "Other plates", "text", "",
              "open ones as NAME=SHARE, commas between; they are read as found"),
        Field("lane", "Sample's lane", "lane", "--lane"),
        Field("weak", "Weaker solvent", "text", "--weak"),
        Field("strong", "Stronger solvent", "text", "--strong"),
    )),
)
BY_NAME = {form.question: form for form in FORMS}


def words_of(
    question: str, entries: Mapping[str, Any], lanes: Sequence[str], file: str,
    others: Mapping[str, str],
) -> list[str]:
    """Return the command's words for a filled form, its plate among them, settings not.

    Parameters
    ----------
    question : str
    entries : mapping
        The entries by key: text; a list of lane names; or lane and rf of a spot.
    lanes : sequence of str
        The names of the plate's lanes: no other lane can be asked about.
    file : str
        Path of the plate's picture.
    others : mapping
        Paths of other open plates by their names, for the solvent question.

    Raises
    ------
    InputError
        If the question is unknown, or an entry is missing or not of its kind.
    """
    form = BY_NAME.get(question)
    if form is None:
        raise InputError(f"there is no question {question!r}")
    values = {f.key: _entry(f, entries.get(f.key), lanes) for f in form.fields}
    if question == "solvent":
        return _solvent(form, values, file, others)
    words = [question, file]
    for f in form.fields:
        value = values[f.key]
        if value in (None, "", []):
            continue
        if f.key == "cospot":
            mixture = "+".join([str(values["unknown"]), *values["reference"]])
            words.append(f"--cospot={mixture}={value}")
        elif f.kind == "lanes" and f.key == "reference":
            words += [f"{f.option}={name}" for name in value]
        elif f.kind == "lanes":
            words.append(f"{f.option}={','.join(value)}")
        elif f.kind == "spot":
            words += [f"--lane={value[0]}", f"{f.option}={value[1]:.4f}"]
        elif f.kind == "spot-rf":
            words.append(f"{f.option}={value[1]:.4f}")
        else:
            words.append(f"{f.option}={value}")
    return words


def _solvent(
    form: Form, values: Mapping[str, Any], file: str, others: Mapping[str, str]
) -> list[str]:
    plates = [f"{file}={values['fraction']}"]
    for part in filter(None, (p.strip() for p in str(values["others"] or "").split(","))):
        name, mark, share = (each.strip() for each in part.rpartition("="))
        if not mark or name not in others:
            known = ", ".join(others) or "none"
            raise InputError(f"{part!r}: give NAME=SHARE of an open plate; open are: {known}")
        plates.append(f"{others[name]}={share}")
    options = [f"{f.option}={values[f.key]}" for f in form.fields if f.option and values[f.key]]
    return ["solvent", *plates, *options]


def _entry(field: Field, value: Any, lanes: Sequence[str]) -> Any:
    missing = value in (None, "", [], {})
    if missing:
        if field.needed:
            raise InputError(f"{field.label} is missing: {field.hint or 'choose it'}")
        return None
    if field.kind in ("spot", "spot-rf"):
        if not isinstance(value, Mapping) or value.get("lane") not in lanes:
            raise InputError(f"{field.label}: click a spot that is on the plate")
        rf = value.get("rf")
        if (not isinstance(rf, int | float) or isinstance(rf, bool)
                or not LOWEST_RF < rf < HIGHEST_RF):
            raise InputError(f"{field.label}: click a spot that is on the plate")
        return (str(value["lane"]), float(rf))
    if field.kind == "lane":
        if value not in lanes:
            raise InputError(f"{field.label}: there is no lane {value!r}")
        return value
    if field.kind == "lanes":
        if not isinstance(value, list) or not all(name in lanes for name in value):
            raise InputError(f"{field.label}: choose among the lanes {', '.join(lanes)}")
        return value
    text = str(value).strip()
    if len(text) > LONGEST or not text.isprintable():
        raise InputError(f"{field.label}: give up to {LONGEST} printable characters")
    return text
