"""Read the example photos and put a picture of each reading into build/: `make demo`, or `python -m examples.demo`.

The photos are path-traced pictures of made-up parts, so the truth is known exactly and stands in a Label beside each; it
is printed beneath each reading. The Label also says which coin lies there: a user would say it.
"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

from shop.overlay import draw_overlay
from shop.report import reading_text
from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import ReadOptions, read_photo
from vision.vocabulary import CENTRE, CENTRE_HOLE_RADIUS_PER_DIAMETER, angle_from_xy, clock_from_angle

HERE = Path(__file__).parent
BUILD = HERE.parent / "build"


def options_for(label: Label) -> ReadOptions:
    """What the person who took the photo would say about it."""
    if label.scale_kind == "coin":
        return ReadOptions(coin=label.scale_reference)
    if label.scale_kind == "ruler":
        return ReadOptions(ruler="inch" if (label.scale_reference or "").startswith("inch") else "mm")
    return ReadOptions(card=label.scale_kind == "card", cylinder=label.scale_kind == "cylinder")


def truth_text(label: Label) -> str:
    """The Label in the words of a reading."""
    if label.family is None:
        return "true: no cam"
    clock = []
    for hole in label.holes:
        if hole.kind == "screw":
            away = (hole.x_mm**2 + hole.y_mm**2) ** 0.5
            centred = away < CENTRE_HOLE_RADIUS_PER_DIAMETER * hole.diameter_mm
            angle = angle_from_xy(hole.x_mm, hole.y_mm)
            clock.append((-1.0, CENTRE) if centred else (angle, f"{clock_from_angle(angle)} ({angle:.1f}°)"))
    places = ", ".join(text for _, text in sorted(clock))
    return f"true: {label.family}, {label.bottom}, screws at {places}, reach {label.reach_mm:.2f} mm"


def main() -> int:
    """Read all examples; 1 when there are none."""
    BUILD.mkdir(exist_ok=True)
    paths = sorted(HERE.glob("*.json"))
    for path in paths:
        label = Label.from_json(path.read_text(encoding="utf-8"))
        photo = open_photo(path.with_name(label.picture))
        reading = read_photo(photo, options_for(label)).to_json()
        picture = BUILD / f"{path.stem}.png"
        Image.fromarray(draw_overlay(photo.pixels, reading)).save(picture)
        print(f"{reading_text(reading)}\n  {truth_text(label)}\n  picture: build/{picture.name}\n", flush=True)
    if not paths:
        print("there are no example photos here", file=sys.stderr)
        return 1
    print("To see what fits:  .venv/bin/camdial fits PHOTO --coin NAME --parts shop/data/demo_parts.csv")
    print("To see the page:   make page")
    return 0


if __name__ == "__main__":
    sys.exit(main())
