"""Label: all that is true of one pictured part. Renders, contributed photos and training data are all Labels."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from vision.vocabulary import BOTTOMS, FACINGS, FAMILIES, HANDS

SCHEMA: Final = "camdial.label/1"
HOLE_KINDS: Final = ("screw", "relief")
SHAPE_KINDS: Final = (
    "part",  # the face nearer the camera: outline of a cam, at the height of that face
    "body",  # everything of the part that shows, walls included
    "hole",  # the through edge of a screw hole
    "countersink",  # the outer edge of a countersink
    "relief",  # an opening that takes no screw
    "screw_head",  # a screw that fills its hole
    "other",  # the main object of a picture without a cam
    "clutter",  # things that lie about: screws, pencils, keys without bitting
    "coin",
    "ruler",
    "card",
    "occluder",  # lies over whatever comes before it in the list
)


@dataclass(frozen=True, slots=True)
class Hole:
    """One opening of a part, in the part's own millimetres (x to 3 o'clock, y to 12, origin on the axis, screw side)."""

    kind: str
    x_mm: float
    y_mm: float
    diameter_mm: float  # the through hole; of a relief that is not round, the circle of equal area
    countersink_diameter_mm: float | None = None
    filled: bool = False  # a screw sits in it
    center_px: tuple[float, float] | None = None  # of the through hole on the face seen, in the upright picture


@dataclass(frozen=True, slots=True)
class Shape:
    """One outlined thing in the picture; later shapes lie over earlier ones."""

    kind: str
    polygon_px: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Label:
    """The truth about one picture. Lengths in mm, image points in pixels of the upright picture (first pixel centre 0, 0).

    `family` is None for a picture without a cam; then every field about the part is None or empty.
    `hand` and the holes are as seen from the screw side, whatever side the picture shows.
    """

    picture: str
    width: int
    height: int
    family: str | None
    bottom: str | None = None
    hand: str | None = None
    facing: str | None = None
    facing_shows: bool = False  # something in the picture (a countersink, a screw) tells the facing
    reach_mm: float | None = None
    hub_diameter_mm: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    tail_width_mm: float | None = None
    thickness_mm: float | None = None
    outline_mm: tuple[tuple[float, float], ...] = ()
    holes: tuple[Hole, ...] = ()
    axis_px: tuple[float, float] | None = None
    tail_px: tuple[float, float] | None = None  # where the 12 o'clock ray from the axis leaves the part
    shapes: tuple[Shape, ...] = ()
    scale_kind: str | None = None  # coin, ruler, card, cylinder or None
    scale_reference: str | None = None
    mm_per_px: float | None = None  # at the axis, on the face seen
    tilt_deg: float | None = None
    lean_rad: tuple[float, float] | None = None  # of the part's face from the ray to its axis: `vision.tilt.lean_of`
    reference_lean_rad: tuple[float, float] | None = None  # the same of the coin that gives the scale
    distance_mm: float | None = None
    focal_35mm: float | None = None
    tags: dict[str, str] = field(default_factory=dict)  # renderer, metal, bench, light, not_cam kind, difficulty …

    def __post_init__(self) -> None:
        for name, words in (("family", FAMILIES), ("bottom", BOTTOMS), ("hand", HANDS), ("facing", FACINGS)):
            word = getattr(self, name)
            if word is not None and word not in words:
                raise ValueError(f"{name} is {word!r}; allowed: {', '.join(words)}")
        for hole in self.holes:
            if hole.kind not in HOLE_KINDS:
                raise ValueError(f"hole kind is {hole.kind!r}; allowed: {', '.join(HOLE_KINDS)}")
        for shape in self.shapes:
            if shape.kind not in SHAPE_KINDS:
                raise ValueError(f"shape kind is {shape.kind!r}; allowed: {', '.join(SHAPE_KINDS)}")

    def to_json(self) -> str:
        """The label as one JSON object, keys sorted, so that equal labels are equal files."""
        return json.dumps({"schema": SCHEMA, **asdict(self)}, sort_keys=True, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Label:
        """Read a label back.

        Raises
        ------
        ValueError
            If the text is no label of this version.
        """
        record: dict[str, Any] = json.loads(text)
        if not isinstance(record, dict) or record.pop("schema", None) != SCHEMA:
            raise ValueError(f"no label of version {SCHEMA}")
        try:
            holes = tuple(_hole(h) for h in record.pop("holes", ()))
            shapes = tuple(Shape(s["kind"], _points(s["polygon_px"])) for s in record.pop("shapes", ()))
            outline = _points(record.pop("outline_mm", ()))
            for name in ("axis_px", "tail_px", "lean_rad", "reference_lean_rad"):
                if record.get(name) is not None:
                    record[name] = tuple(record[name])
            return cls(**record, holes=holes, shapes=shapes, outline_mm=outline)
        except (TypeError, KeyError) as error:
            raise ValueError(f"no label of version {SCHEMA}: {error}") from error


def _points(rows: Any) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in rows)


def _hole(record: dict[str, Any]) -> Hole:
    center = record.pop("center_px", None)
    return Hole(**record, center_px=None if center is None else (float(center[0]), float(center[1])))
