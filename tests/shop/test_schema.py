"""Readings against the published JSON Schema, by an independent validator (jsonschema)."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from tests.shop.readings import a_reading
from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import ReadOptions, read_photo
from vision.quantity import NotMeasured, Quantity
from vision.reading import PhotoFacts, Reading, ScrewHole, Word

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = sorted((ROOT / "examples").glob("*.json"))


@pytest.fixture(scope="module")
def valid():
    schema = json.loads((ROOT / "docs" / "reading.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def whole() -> Reading:
    families = {"cloverleaf": 0.99, "taper": 0.01}
    return a_reading(
        family=Word("cloverleaf", 0.99, ("cloverleaf",), families),
        bottom=Word("open", 0.6, ("open", "closed"), {"open": 0.6}),
    )


def test_readings_are_valid(valid):
    facts = PhotoFacts("x.jpg", "0" * 64, 640, 480)
    centre = ScrewHole("centre", (500.0, 450.0), None, Quantity(0.2, 0.1), None)
    for reading in (
        whole(),
        Reading("retake", facts, warnings=(NotMeasured("no-part", "no part is seen"),)),
        a_reading(family=whole().family, bottom=whole().bottom, holes=(centre,), scale=None),
    ):
        valid.validate(json.loads(reading.dumps()))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.update(outcome="fine"),
        lambda r: r["family"].update(label="bird"),
        lambda r: r["dimensions"].update(reach=21.4),
        lambda r: r["pattern"]["holes"][0].update(position="13"),
        lambda r: r["pattern"]["holes"][0].update(position="centre"),
        lambda r: r.pop("warnings"),
    ],
)
def test_the_schema_refuses_what_the_contract_forbids(valid, spoil):
    record = json.loads(whole().dumps())
    valid.validate(record)
    spoil(record)
    assert not valid.is_valid(record)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_readings_of_the_example_photos_are_valid(valid, path):
    label = Label.from_json(path.read_text(encoding="utf-8"))
    photo = open_photo(path.with_name(label.picture))
    options = ReadOptions(coin=label.scale_reference) if label.scale_kind == "coin" else ReadOptions()
    valid.validate(json.loads(read_photo(photo, options).dumps()))
