"""A section through head, cam and drill, to scale: shapes in mm once, then as SVG or for the printed sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from shop.head_geometry import DrillPlan, HeadMeasure, cone_factor, point_length
from shop.screw_at_hand import Numbers, Screw
from vision.quantity import NotMeasured

Points = tuple[tuple[float, float], ...]

ENLARGED: Final = 10.0  # drawn this many times its true size
LABELS_MM: Final = 5.3  # room to the right for the depths' labels
SHANK_BELOW_MM: Final = 1.8
DRILL_ABOVE_MM: Final = 1.6
BESIDE_MM: Final = 2.2
TEXT_MM: Final = 0.5
LINE_STEP_MM: Final = 0.7

FILLS: Final = {
    "cam": "#d9c48a",
    "plug": "#c9ced6",
    "head": "#8fa3b8",
    "shank": "#8fa3b8",
    "slot": "#ffffff",
    "drill": "none",
    "band": "#f2b8b0",
}
STROKES: Final = {"drill": "#b3261e", "stop": "#b3261e", "parts": "#5f6368", "latest": "#5f6368"}
INK: Final = "#1f2328"


@dataclass(frozen=True, slots=True)
class Shape:
    """A closed polygon of the section, mm: x to the right of the screw's axis, y down from the head's top."""

    name: str
    points: Points


@dataclass(frozen=True, slots=True)
class Level:
    """A depth below the head's top, mm, with its label."""

    name: str
    depth_mm: float
    label: str


@dataclass(frozen=True, slots=True)
class Section:
    """All that is drawn. `left`, `top`, `right`, `bottom` bound it in mm, labels included."""

    shapes: tuple[Shape, ...]
    levels: tuple[Level, ...]
    labels: tuple[str, ...]
    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float

    def names(self) -> tuple[tuple[str, tuple[float, float]], ...]:
        """Where the words cam and plug stand, mm."""
        found = []
        for shape in self.shapes:
            if shape.name in ("cam-left", "plug-left"):
                y = sum(y for _, y in shape.points) / len(shape.points)
                found.append((shape.name.split("-")[0], (self.left_mm + 0.25, y + TEXT_MM / 3.0)))
        return tuple(found)

    def placed_levels(self) -> tuple[tuple[Level, float], ...]:
        """Levels from the top with the height of each one's label, moved apart so that none covers another."""
        placed: list[tuple[Level, float]] = []
        for level in sorted(self.levels, key=lambda one: one.depth_mm):
            at = level.depth_mm if not placed else max(level.depth_mm, placed[-1][1] + LINE_STEP_MM)
            placed.append((level, at))
        return tuple(placed)


def draw_section(screw: Screw, numbers: Numbers, plan: DrillPlan | None = None) -> Section | NotMeasured:
    """The section of a screw at hand with one drill at its stop depth, or with the closest drill that is safe.

    Returns
    -------
    Section or NotMeasured
        The reason why there are no figures to draw.
    """
    head, drills = numbers.head, numbers.drills
    if isinstance(head, NotMeasured):
        return head
    shown = plan or (drills[0] if isinstance(drills, tuple) else None)
    cone = head.cones[0]
    edge, shank = cone.edge_mm.value, head.thread.major_mm
    k = cone_factor(cone.angle_deg.value)
    height = k * (edge - shank)
    ends = height if cone.undercut_mm is None else min(height, cone.undercut_mm.value)
    thickness = screw.thickness_mm.value
    if screw.hole_mm is not None:
        hole = screw.hole_mm.value
    else:
        hole = head.thread.clearance.normal_mm if head.thread.clearance is not None else shank + 0.4
    hole = min(hole, edge)
    half = edge / 2.0 + BESIDE_MM
    bottom = max(thickness, height) + SHANK_BELOW_MM
    shapes: list[Shape] = []
    for side, name in ((-1.0, "left"), (1.0, "right")):
        shapes.append(Shape(f"cam-{name}", _cam(side, half, edge, hole, k, thickness)))
        shapes.append(Shape(f"plug-{name}", _box(side * shank / 2.0, thickness, side * half, bottom)))
    low = edge - ends / k
    shapes.append(Shape("head", ((-edge / 2, 0.0), (edge / 2, 0.0), (low / 2, ends), (-low / 2, ends))))
    shapes.append(Shape("shank", _box(-shank / 2.0, ends, shank / 2.0, bottom)))
    slot = cone.head.slot
    if slot is not None:
        width = (slot.width_min_mm + slot.width_max_mm) / 2.0
        shapes.append(
            Shape("slot", _box(-width / 2.0, 0.0, width / 2.0, (slot.depth_min_mm + slot.depth_max_mm) / 2.0))
        )
    levels: list[Level] = []
    labels = [
        _labels_head(head),
        f"shank Ø {shank:.2f} mm, cam {thickness:.2f} ± {screw.thickness_mm.u95:.2f} mm thick",
    ]
    top = -0.4
    if shown is not None:
        d = shown.drill.diameter_mm
        corner = shown.stop_mm - point_length(d, shown.point_deg)
        shapes.append(Shape("band", _box(half - 0.35, shown.stop_mm, half, shown.latest_mm)))
        shapes.append(
            Shape(
                "drill",
                (
                    (-d / 2, -DRILL_ABOVE_MM),
                    (d / 2, -DRILL_ABOVE_MM),
                    (d / 2, corner),
                    (0.0, shown.stop_mm),
                    (-d / 2, corner),
                ),
            )
        )
        parts = shown.parts_at_mm
        levels = [
            Level("stop", shown.stop_mm, f"STOP {shown.stop_mm:.2f} mm"),
            Level("parts", parts.value, f"parts {parts.value:.2f} ± {parts.u95:.2f}"),
            Level("latest", shown.latest_mm, f"never below {shown.latest_mm:.2f}"),
        ]
        labels.append(f"drill {shown.drill.name} Ø {d:.2f} mm, {shown.point_deg:g}° point; depths to its tip")
        top = -DRILL_ABOVE_MM - 0.2
        bottom = max(bottom, shown.latest_mm + 0.4)
    return Section(tuple(shapes), tuple(levels), tuple(labels), -half, top, half + LABELS_MM, bottom)


def _labels_head(head: HeadMeasure) -> str:
    cone = head.cones[0]
    more = " (one of several possible heads)" if len(head.cones) > 1 else ""
    edge = f"{cone.edge_mm.value:.2f} ± {cone.edge_mm.u95:.2f} mm"
    return f"{head.thread.size} head Ø {edge}, {cone.angle_deg.value:g}°{more}"


def _box(x0: float, y0: float, x1: float, y1: float) -> Points:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def _cam(side: float, half: float, edge: float, hole: float, k: float, thickness: float) -> Points:
    sink = k * (edge - hole)
    if sink >= thickness:  # a plate thinner than its countersink is deep ends in a sharp edge
        wall: Points = ((side * (edge - thickness / k) / 2.0, thickness),)
    else:
        wall = ((side * hole / 2.0, sink), (side * hole / 2.0, thickness))
    return ((side * half, 0.0), (side * edge / 2.0, 0.0), *wall, (side * half, thickness))


def _class(name: str) -> str:
    return name.split("-")[0]


def svg(section: Section, enlarged: float = ENLARGED) -> str:
    """The section as an SVG document. One unit is one millimetre of the screw; width and height are in true mm.

    Parameters
    ----------
    section : Section
    enlarged : float
        How many times its true size it is drawn.
    """
    texts_mm = LINE_STEP_MM * (len(section.labels) + 1.5)
    width, height = section.right_mm - section.left_mm, section.bottom_mm - section.top_mm + texts_mm
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width * enlarged:.2f}mm" height="{height * enlarged:.2f}mm" '
        f'viewBox="{section.left_mm:.3f} {section.top_mm:.3f} {width:.3f} {height:.3f}" '
        f'font-family="sans-serif" font-size="{TEXT_MM}" role="img">',
        f"<title>Section through screw head, cam and drill, {enlarged:g} times its size</title>",
        f'<rect x="{section.left_mm:.3f}" y="{section.top_mm:.3f}" width="{width:.3f}" height="{height:.3f}" '
        'fill="#ffffff"/>',
    ]
    for shape in section.shapes:
        kind = _class(shape.name)
        points = " ".join(f"{x:.4f},{y:.4f}" for x, y in shape.points)
        stroke = STROKES.get(kind, INK if kind != "band" else "none")
        weight = 0.07 if kind == "drill" else 0.03
        out.append(
            f'<polygon id={quoteattr(shape.name)} points="{points}" fill="{FILLS[kind]}" stroke="{stroke}" '
            f'stroke-width="{weight}"/>'
        )
    for name, (x, at) in section.names():
        out.append(f'<text x="{x:.3f}" y="{at:.3f}" fill="{INK}">{name}</text>')
    reach = section.right_mm - LABELS_MM
    out.append(
        f'<line id="axis" x1="0" y1="{section.top_mm:.3f}" x2="0" y2="{section.bottom_mm:.3f}" stroke="{INK}" '
        f'stroke-width="0.02" stroke-dasharray="0.5 0.12 0.1 0.12"/>'
    )
    for level, at in section.placed_levels():
        colour = STROKES[level.name]
        dash = "" if level.name == "stop" else ' stroke-dasharray="0.2 0.12"'
        out.append(
            f'<line id={quoteattr(level.name)} x1="0" y1="{level.depth_mm:.4f}" x2="{reach:.3f}" '
            f'y2="{level.depth_mm:.4f}" stroke="{colour}" stroke-width="0.05"{dash}/>'
        )
        out.append(
            f'<line x1="{reach:.3f}" y1="{level.depth_mm:.4f}" x2="{reach + 0.3:.3f}" y2="{at:.4f}" stroke="{colour}" '
            f'stroke-width="0.03"/>'
        )
        bold = ' font-weight="bold"' if level.name == "stop" else ""
        out.append(
            f'<text x="{reach + 0.4:.3f}" y="{at + TEXT_MM / 3:.4f}" fill="{colour}"{bold}>{escape(level.label)}</text>'
        )
    y = section.bottom_mm + LINE_STEP_MM
    for label in section.labels:
        out.append(f'<text x="{section.left_mm + 0.15:.3f}" y="{y:.3f}" fill="{INK}">{escape(label)}</text>')
        y += LINE_STEP_MM
    x0 = section.left_mm + 0.15
    out.append(
        f'<line id="bar" x1="{x0:.3f}" y1="{y - 0.15:.3f}" x2="{x0 + 2.0:.3f}" y2="{y - 0.15:.3f}" stroke="{INK}" '
        f'stroke-width="0.1"/>'
    )
    out.append(f'<text x="{x0 + 2.15:.3f}" y="{y:.3f}" fill="{INK}">2 mm of the screw; drawn {enlarged:g} : 1</text>')
    out.append("</svg>")
    return "\n".join(out)
