"""read_photo(): the whole chain from a photo to a reading, on one screen."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.classify import PatchReading, part_hand, read_part
from vision.face import FaceView, see_face
from vision.face_edge import edge_of_face
from vision.find import Found, find_part, runs_out
from vision.hole_evidence import maps_of_reader
from vision.hole_fit import fit_holes
from vision.lean import first_edge_of_face
from vision.measure import NEAR_END, FaceEdges, Measurement, hub_of, measure
from vision.outline_words import joint, vote
from vision.photo import Photo
from vision.plane import PartWall, Plane, doubted, fit_plane, square_plane
from vision.quantity import NotMeasured, Quantity
from vision.reading import BudgetLine, Covariance, Outline, PhotoFacts, Reading, ScaleUsed, ScrewHole, Word
from vision.scale import CircleReference, PointReference, Scale
from vision.scale.auto import ScaleRequest, find_scale
from vision.scale.cylinder import DIAMETER_MM
from vision.segment import Regions, find_regions
from vision.tilt import PartOutline, WallDrop
from vision.vocabulary import CENTRE, FAMILIES, HANDED_FAMILIES, clock_from_angle

Array = NDArray[np.float64]

THICKNESS_MM: Final = Quantity(2.3, 0.25)  # the usual range 1.5-3.2 mm from memory; 95 % within 2.3 +- 0.5
HUB_GUESS_MM: Final = 19.5  # middle of the hubs' range (memory): only tells a thickness where there is no scale
BLURRED_PER_RADIUS: Final = 0.045  # edge spread over the part's radius; a 20 mm part whose edge spreads over 1 mm
QUARREL: Final = 0.7  # both votes at least this sure of different labels
CLEAR_CAM: Final = 0.97  # taken for a cam, but so few cams lie under this that it may be something else after all
# under this an unsymmetric reading may be the mirror image: of 17 held-out parts a little below it two were
CLEAR_FACING: Final = 0.97
UNLIKE_HOLES: Final = 1.3
LOST_TIP: Final = (
    0.06  # of the hub's radius: a tail's end in more doubt may lie beyond the patch; 6 of 1,002 path-traced parts
)
ROOM: Final = 1.25  # of the outline's own circle, for another look
UP_TAIL: Final = 0.7  # of the added room
# Of a hub's radius: with fewer a pixel is more than a quarter of a millimetre, and hole angles and diameters err half as far
# again as with twice as many (999 path-traced parts).
FEW_PIXELS: Final = 40.0
CLOCK_STEP_DEG: Final = 15.0  # positions are named to half an hour
SURE_CLOCK_U: Final = (
    2.5  # the half hour must hold at this many u: angles err by more than that in 10 of 801 holes, in 24 by over 2 u
)
TAILS_APART_DEG: Final = 3.0  # two ways to tell the tail's direction that differ by more leave the clock open
IMPOSSIBLE_HUB_MM: Final = (11.0, 32.0)  # far beyond the usual 15-24 mm: the reference was mistaken for another
PLAUSIBLE_HUB_MM: Final = (13.0, 26.5)  # a little beyond the usual 15-24 mm
PLAUSIBLE_REACH_MM: Final = (11.0, 42.0)  # well beyond the usual 14-32 mm: outside, the scale is wrong


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the user says about the photo."""

    coin: str | None = None
    ruler: str | None = None  # "mm" or "inch"
    card: bool = False
    card_bar_mm: float | None = None
    cylinder: bool = False
    cylinder_diameter_mm: Quantity | None = None  # over the thread; None: a usual figure
    scale: str = "auto"  # auto, none, or one kind
    facing: str | None = None
    family: str | None = None  # where 12 o'clock is laid depends on it
    thickness_mm: Quantity | None = None


def read_photo(photo: Photo, options: ReadOptions | None = None, *, regions: Regions | None = None) -> Reading:
    """Read one photo.

    Parameters
    ----------
    photo : Photo
        Upright pixels, from `vision.photo.open_photo`.
    options : ReadOptions, optional
        What the user knows: coin, ruler, card, facing, family, thickness.
    regions : Regions, optional
        What `vision.segment.find_regions` says of this photo, where that is known already.

    Returns
    -------
    Reading
        Always; its `outcome` says what it is worth.
    """
    return _read(photo, regions or find_regions(photo), options or ReadOptions()).in_file_pixels(photo.step)


def _read(photo: Photo, regions: Regions, options: ReadOptions) -> Reading:
    """The reading in the photo's own pixels."""
    cv2.setRNGSeed(0)  # fits and colour models start at random: the same photo reads the same, whatever was read before
    found = find_part(photo.pixels, regions)
    if _cores() > 1:
        with ThreadPoolExecutor(1) as beside:  # neither needs the other, and OpenCV leaves the interpreter free
            reference = beside.submit(find_reference, photo, regions, found, options)
            seen = _outline(photo, found)
        scale, warnings = reference.result()
    else:  # two threads that take turns on one core cost a thirtieth of a reading
        seen = _outline(photo, found)
        scale, warnings = find_reference(photo, regions, found, options)
    found, view, drop = seen
    notes = [*photo.warnings, *found.warnings, *warnings]
    facts = PhotoFacts(photo.name, photo.sha256, *photo.size)
    problem = _picture_problem(found, view)
    if view is None or problem is not None or found.words is None:
        notes += [problem] if problem is not None else []
        outcome = found.outcome if found.outcome != "read" else "retake"
        return Reading(outcome, facts, scale=_scale_of_reference(photo, scale), warnings=tuple(notes))
    thickness = options.thickness_mm or THICKNESS_MM
    plane, thickness = bench_plane(photo, scale, view.edges, found.words.family.label, thickness, drop)
    view = _on_own_edge(photo, view, found, plane, thickness.value)
    view = _holes_on_plane(photo, view, plane, thickness, found)
    return _compose(photo, facts, options, found.words, view, plane, scale, thickness, notes)


def _cores() -> int:
    """Processor cores that this process may run on."""
    allowed = getattr(os, "sched_getaffinity", None)  # Linux alone
    return len(allowed(0)) if allowed is not None else os.cpu_count() or 1


def _outline(photo: Photo, found: Found) -> tuple[Found, FaceView | None, WallDrop | None]:
    """The edges of a part that was found, and what its wall tells of the bench; None where there is none to see.

    Where the networks doubt the tail's end, its patch may have cut it off: a look farther that way is taken if it ends the
    doubt, and what is found is then what it shows.
    """
    view, drop = _edges(photo, found)
    if view is None or _doubt_at_tip(view) < LOST_TIP:
        return found, view, drop
    words, patch = read_part(photo.pixels, *_farther(view))
    farther = replace(found, words=words, patch=patch)
    again, its_drop = _edges(photo, farther) if words.is_cam else (None, None)
    if again is None or _doubt_at_tip(again) > 0.5 * _doubt_at_tip(view):
        return found, view, drop
    return farther, again, its_drop


def _edges(photo: Photo, found: Found) -> tuple[FaceView | None, WallDrop | None]:
    if found.words is None or found.patch is None or found.outcome != "read":
        return None, None
    view = see_face(photo.pixels, found.patch, found.words)
    return (None, None) if view is None else _first_edge(photo, view, found)


def _up_tail(view: FaceView) -> Array:
    """How far each point of the outline lies up the tail from the network's axis, hub radii, (N,)."""
    tail = view.edges.tail_px - view.edges.axis_px
    away = (view.edges.outline_px - view.edges.axis_px) @ (tail / np.linalg.norm(tail))
    return np.asarray(away / view.edges.hub_radius_px)


def _doubt_at_tip(view: FaceView) -> float:
    """How far the outline may be off at the tail's end, hub radii."""
    up, doubts = _up_tail(view), view.edges.doubts_px
    if doubts is None:
        return 0.0
    return float(np.sqrt(np.mean(doubts[up > up.max() - NEAR_END] ** 2))) / view.edges.hub_radius_px


def _farther(view: FaceView) -> tuple[tuple[float, float], float]:
    """A circle round the outline, photo pixels, with more room and most of it up the tail."""
    low, high = view.edges.outline_px.min(axis=0), view.edges.outline_px.max(axis=0)
    centre = (low + high) / 2.0
    radius = float(np.linalg.norm(view.edges.outline_px - centre, axis=1).max())
    tail = view.edges.tail_px - view.edges.axis_px
    x, y = centre + UP_TAIL * (ROOM - 1.0) * radius * tail / np.linalg.norm(tail)
    return (float(x), float(y)), ROOM * radius


def _first_edge(photo: Photo, view: FaceView, found: Found) -> tuple[FaceView, WallDrop | None]:
    """The view with its outline on the face's own edge, as the bench needs it, and what its wall tells of the bench."""
    if found.patch is None or found.words is None:
        return view, None
    edges, drop = first_edge_of_face(photo.pixels, view.edges, found.words.map("face"), found.patch)
    return replace(view, edges=edges), drop


def _on_own_edge(photo: Photo, view: FaceView, found: Found, plane: Plane, thickness: float) -> FaceView:
    """The same again with the bench, which tells where the wall must show."""
    if found.patch is None or found.words is None:
        return view
    face_map = found.words.map("face")
    return replace(view, edges=edge_of_face(photo.pixels, view.edges, face_map, found.patch, plane, thickness))


def _holes_on_plane(photo: Photo, view: FaceView, plane: Plane, thickness: Quantity, found: Found) -> FaceView:
    """The view with its holes as the camera over this plane must see them."""
    if found.patch is None or found.words is None:
        return view
    unit = 1.0 if plane.metric else THICKNESS_MM.value / thickness.value
    screw_side = found.words.facing.probabilities.get("screw", 0.5)
    maps = maps_of_reader(found.words, found.patch)
    holes = fit_holes(photo.pixels, view.edges.holes, plane, thickness.value, screw_side, unit, maps)
    return replace(view, edges=replace(view.edges, holes=holes))


def _picture_problem(found: Found, view: FaceView | None) -> NotMeasured | None:
    """Why this picture of a cam cannot be measured, or None."""
    if found.outcome != "read" or found.region is None:
        return None
    if found.region.touches_frame:
        return NotMeasured("cut-off", "the part runs out of the picture: keep a finger's width around it")
    if view is None or view.clipped or (found.words is not None and runs_out(found.words)):
        return NotMeasured(
            "no-outline", "the part's outline cannot be followed: lay it on a plain sheet that contrasts with it"
        )
    if view.blur_px > BLURRED_PER_RADIUS * found.region.radius_px:
        return NotMeasured("blurred", "the picture is blurred: hold the phone still, tap on the part to focus")
    return None


def find_reference(
    photo: Photo, regions: Regions, found: Found, options: ReadOptions
) -> tuple[Scale | None, list[NotMeasured]]:
    kind = options.scale
    if kind == "auto" and options.coin:
        kind = "coin"
    if kind == "auto" and options.ruler:
        kind = "ruler"
    if kind == "auto" and (options.card or options.card_bar_mm is not None):
        kind = "card"
    if kind == "auto" and options.cylinder:
        kind = "cylinder"
    request = ScaleRequest(
        kind=kind,
        coin=options.coin,
        ruler_unit=options.ruler,
        card_bar_mm=options.card_bar_mm,
        cylinder_diameter_mm=options.cylinder_diameter_mm or DIAMETER_MM,
    )
    mask = None if found.region is None or found.outcome == "not-a-cam" else found.region.mask
    scale, warnings = find_scale(photo, request, regions=regions, part_mask=mask)
    return scale, list(warnings)


def bench_plane(
    photo: Photo,
    scale: Scale | None,
    face: FaceEdges,
    family: str,
    thickness: Quantity,
    drop: WallDrop | None = None,
) -> tuple[Plane, Quantity]:
    """The bench under the part: first from the reference alone, then with the part's own circles on it."""
    size = (photo.pixels.shape[1], photo.pixels.shape[0])
    rings = [h.countersink_px if h.countersink_px is not None else h.through_px for h in face.holes]
    circles = [ring for ring in rings if ring is not None]  # a hole seen aslant is a lens: only where no hub shows
    references = () if scale is None else scale.references
    u_size = 0.0 if scale is None else scale.u_size_relative
    if scale is not None and scale.kind == "cylinder":
        drop = None  # its foot is on the cylinder, over the bench, and often hidden: never learned
    wall = None if drop is None else PartWall(drop, face.axis_px, thickness)
    plane: Plane | NotMeasured | None = None
    if references:
        outline = PartOutline(
            face.outline_px, face.axis_px, face.tail_px, face.hub_radius_px, family not in HANDED_FAMILIES
        )
        plane = fit_plane(
            references, image_size=size, focal_35mm=photo.focal_35mm, part=outline, wall=wall, u_size_relative=u_size
        )
        first = references[0]
        if isinstance(plane, Plane) and isinstance(first, CircleReference) and first.evidence is not None:
            return plane, thickness  # the part has had its say
    if not isinstance(plane, Plane):
        unit = 2.0 * face.hub_radius_px / HUB_GUESS_MM
        thickness = Quantity(THICKNESS_MM.value * unit, 2.0 * THICKNESS_MM.u * unit)
        wall = None if drop is None else PartWall(drop, face.axis_px, thickness)
        plane = square_plane((), image_size=size, focal_35mm=photo.focal_35mm, wall=wall)
        references = ()
    hub = _hub_points(face, plane, thickness.value)
    part = [(ring, thickness) for ring in ([hub] if hub is not None else circles)]
    if not part:
        return plane, thickness
    refined: Plane | NotMeasured
    if references:
        refined = fit_plane(
            references,
            image_size=size,
            focal_35mm=photo.focal_35mm,
            part_circles=part,
            wall=wall,
            u_size_relative=u_size,
        )
        if isinstance(refined, Plane) and len(refined.parameters) == len(plane.parameters):
            refined = doubted(refined, plane)
    else:
        refined = square_plane(part, image_size=size, focal_35mm=photo.focal_35mm, wall=wall)
    return (refined if isinstance(refined, Plane) else plane), thickness


def _hub_points(face: FaceEdges, plane: Plane, thickness_mm: float) -> Array | None:
    """The part of the outline that lies on the hub, photo pixels, when it is arc enough to tell the tilt."""
    _, _, hub = hub_of(face, plane, thickness_mm)
    if hub is None or hub.arc_deg < 150.0:
        return None
    return face.outline_px[hub.on_hub]


def _scale_of_reference(photo: Photo, scale: Scale | None) -> ScaleUsed | None:
    """Scale at the reference itself, on its upper side, for a picture without a part."""
    if scale is None:
        return None
    size = (photo.pixels.shape[1], photo.pixels.shape[0])
    plane = fit_plane(
        scale.references, image_size=size, focal_35mm=photo.focal_35mm, u_size_relative=scale.u_size_relative
    )
    if not isinstance(plane, Plane):
        return None
    height_mm = scale.references[0].height_mm.value
    return _scale_used(plane, scale, reference_points(scale).mean(axis=0), height_mm)


def reference_points(scale: Scale) -> Array:
    """Rim or marks of a reference in photo pixels, (N, 2)."""
    rows = []
    for reference in scale.references:
        if isinstance(reference, CircleReference):
            rows.append(reference.edge_px)
        elif isinstance(reference, PointReference):
            rows.append(reference.image_px)
    return np.concatenate(rows)


def _scale_used(plane: Plane, scale: Scale, at_px: Array, height_mm: float) -> ScaleUsed:
    mm_per_px = plane.mm_per_px_at(at_px, height_mm)
    steps = np.sqrt(np.maximum(np.diag(plane.covariance), 0.0))
    gradient = np.zeros_like(steps)
    for i, step in enumerate(steps):
        if step > 0.0:
            move = np.zeros_like(steps)
            move[i] = step
            plus, minus = (plane.moved(plane.parameters + s * move).mm_per_px_at(at_px, height_mm) for s in (1, -1))
            gradient[i] = (plus - minus) / (2.0 * step)
    u = float(np.sqrt(max(float(gradient @ plane.covariance @ gradient), 0.0))) / mm_per_px
    return ScaleUsed(scale.kind, scale.reference, mm_per_px, u, plane.tilt_deg)


def _compose(
    photo: Photo,
    facts: PhotoFacts,
    options: ReadOptions,
    words: PatchReading,
    view: FaceView,
    plane: Plane,
    scale: Scale | None,
    thickness: Quantity,
    notes: list[NotMeasured],
) -> Reading:
    facing = _facing(words.facing, options.facing)
    mirrored = facing.label == "plug"
    laid_as = options.family or words.family.label
    measured = measure(view.edges, plane, thickness, laid_as, mirrored=mirrored)
    family, bottom, hand_seen, quarrel = _by_both(words, measured, options.family)
    if (family.label in HANDED_FAMILIES) != (laid_as in HANDED_FAMILIES):
        measured = measure(view.edges, plane, thickness, family.label, mirrored=mirrored)
    notes += quarrel
    hub_mm = 2.0 * measured.frame.hub_radius_mm
    reach_mm = float(measured.values[measured.names.index("reach")])
    lengths = plane.metric and not of_another_thing(scale, hub_mm, reach_mm)
    if plane.metric and not lengths:
        text = (
            f"the hub would be {hub_mm:.0f} mm across and the reach {reach_mm:.0f} mm, so something else was taken for the "
            "reference: no length is given"
        )
        notes.append(NotMeasured("size-unusual", text))
    holes = _screw_holes(view, measured, lengths)
    sizes = {
        name: measured.quantity(name) if lengths else None
        for name in ("reach", "hub_diameter", "length", "width", "tail_width")
    }
    used = (
        None
        if scale is None or not plane.metric
        else _scale_used(plane, scale, np.array(measured.axis_px), thickness.value)
    )
    hand = part_hand(hand_seen, facing)
    notes += _doubts(photo, words, family, bottom, facing, hand, view, measured, holes, sizes, used, options)
    doubtful = {"family-unsure", "bottom-unsure", "facing-unknown", "hole-unsure", "no-holes", "size-unusual"}
    doubtful |= {"no-scale", "coin-not-named", "coin-not-found", "scale-not-found", "not-measured", "words-disagree"}
    doubtful |= {
        "coin-unsure",
        "several-coins",
        "ruler-bent",
        "tail-unsure",
        "hole-size-unsure",
        "scales-disagree",
        "cam-unsure",
    }
    unsure = any(note.code in doubtful for note in notes) or (used is None and options.scale != "none")
    return Reading(
        outcome="unsure" if unsure else "read",
        photo=facts,
        scale=used,
        family=family,
        bottom=bottom,
        hand=hand,
        facing=facing,
        holes=holes,
        dimensions=sizes,
        outline=Outline(
            measured.axis_px,
            measured.tail_px,
            view.edges.outline_px,
            None if scale is None else reference_points(scale),
        ),
        covariance=_covariance(measured) if lengths else None,
        budget=_budget(measured) if lengths else (),
        warnings=tuple(notes),
    )


def _by_both(
    words: PatchReading, measured: Measurement, told: str | None
) -> tuple[Word, Word, Word, list[NotMeasured]]:
    """Family, bottom and hand as seen, by the picture and by the measured outline, and where the two quarrel.

    A family that a person has told is certain.
    """
    outline = vote(measured.outline_seen, measured.frame.hub_radius_mm)
    family = joint("family", words.family, outline.family)
    if told is not None:
        family = Word(told, 1.0, (told,), {label: float(label == told) for label in FAMILIES})
    bottom = joint("bottom", words.bottom, outline.bottom)
    hand = joint("hand", words.hand_seen, outline.hand)
    if family.label not in HANDED_FAMILIES:
        hand = Word("none", family.probability, ("none",), {"none": 1.0, "left": 0.0, "right": 0.0})
    notes = []
    for name, seen, measured_word in (
        ("family", words.family, outline.family),
        ("bottom", words.bottom, outline.bottom),
    ):
        other = max(measured_word, key=lambda label: measured_word[label])
        if name == "family" and told is not None:
            continue
        if other != seen.label and min(measured_word[other], seen.probability) > QUARREL:
            text = f"the picture says {seen.label}, its measured outline {other}: look at the part's {name} yourself"
            notes.append(NotMeasured("words-disagree", text))
    return family, bottom, hand, notes


def of_another_thing(scale: Scale | None, hub_mm: float, reach_mm: float) -> bool:
    """Whether a part would be of a size that says that its scale is another thing's, such as a washer's.

    The reach is NaN where it was not measured. A hub or reach that is merely unusual says so where the coin is in doubt for
    itself; a reach unheard of where it is not, too. Of 1,304 path-traced coins three were of such sizes, and all three were other things.
    """
    if not IMPOSSIBLE_HUB_MM[0] < hub_mm < IMPOSSIBLE_HUB_MM[1]:
        return True
    if scale is None or scale.kind != "coin":
        return False
    usual_reach = math.isnan(reach_mm) or PLAUSIBLE_REACH_MM[0] <= reach_mm <= PLAUSIBLE_REACH_MM[1]
    usual_hub = PLAUSIBLE_HUB_MM[0] <= hub_mm <= PLAUSIBLE_HUB_MM[1]
    doubted = any(note.code in ("several-coins", "coin-unsure") for note in scale.warnings)
    return not usual_reach or (doubted and not usual_hub)


def _facing(seen: Word, told: str | None) -> Word:
    if told is None:
        return seen
    other = "plug" if told == "screw" else "screw"
    return Word(told, 1.0, (told,), {told: 1.0, other: 0.0})


def _screw_holes(view: FaceView, measured: Measurement, metric: bool) -> tuple[ScrewHole, ...]:
    rows = []
    for place, i in enumerate(measured.order):
        edges = view.edges.holes[i]
        angle = measured.quantity(f"holes[{place}].angle")
        centred = measured.centred[place]
        rows.append(
            ScrewHole(
                position=CENTRE if centred or angle is None else clock_from_angle(angle.value),
                center_px=edges.center_px,
                angle_deg=None if centred else angle,
                radius_mm=measured.quantity(f"holes[{place}].radius") if metric else None,
                diameter_mm=measured.quantity(f"holes[{place}].diameter") if metric else None,
                countersink_diameter_mm=measured.quantity(f"holes[{place}].countersink") if metric else None,
            )
        )
    return tuple(rows)


def _doubts(
    photo: Photo,
    words: PatchReading,
    family: Word,
    bottom: Word,
    facing: Word,
    hand: Word,
    view: FaceView,
    measured: Measurement,
    holes: tuple[ScrewHole, ...],
    sizes: dict[str, Quantity | None],
    used: ScaleUsed | None,
    options: ReadOptions,
) -> list[NotMeasured]:
    """Everything a careful reader would hold against this reading."""
    notes = []
    if photo.focal_35mm is None:
        notes.append(
            NotMeasured(
                "no-focal-length",
                "the photo does not tell its focal length; 26 mm was assumed, and sizes are less sure",
            )
        )
    if view.edges.hub_radius_px < FEW_PIXELS:
        text = "the part is small in the photo, so small things on it are less sure: go closer"
        notes.append(NotMeasured("few-pixels", text))
    if words.cam_probability < CLEAR_CAM:
        notes.append(
            NotMeasured("cam-unsure", "this may be something else than a cam: compare with the part in the hand")
        )
    if len(family.plausible) > 1:
        named = " or ".join(family.plausible)
        notes.append(NotMeasured("family-unsure", f"the outline may be {named}: compare with the part in the hand"))
    if len(bottom.plausible) > 1:
        notes.append(
            NotMeasured(
                "bottom-unsure", "whether the bottom is open or closed is not clear: look at the edge opposite the tail"
            )
        )
    if not holes:
        notes.append(
            NotMeasured("no-holes", "no screw hole was seen: clean the holes, or photograph the part against the light")
        )
    if measured.frame.tail is None or measured.frame.tail.apart_deg > TAILS_APART_DEG:
        text = "the tail's direction was not found on its edges, so the clock may be turned: compare with the part"
        notes.append(NotMeasured("tail-unsure", text))
    if any(hole.head_px is None and hole.through_px is None for hole in view.edges.holes):
        text = "the edge of a hole was not seen clearly, only where it is: measure the hole with a calliper"
        notes.append(NotMeasured("hole-size-unsure", text))
    if holes_quarrel(holes):
        text = "the holes read very different sizes, so one may be its countersink: measure them with a calliper"
        notes.append(NotMeasured("hole-size-unsure", text))
    if len(holes) == 1:  # most cams take two screws (common practice, no source)
        text = "only one screw hole was seen and most cams take two: look for another one, also in the centre"
        notes.append(NotMeasured("hole-unsure", text))
    if view.doubtful_openings:
        notes.append(
            NotMeasured("hole-unsure", "an opening may be a screw hole or a relief: look whether a screw goes there")
        )
    widest = max((hole.angle_deg.u for hole in holes if hole.angle_deg is not None), default=0.0)
    if SURE_CLOCK_U * widest > CLOCK_STEP_DEG / 2.0:
        text = f"a hole's place on the clock is known to {2.0 * widest:.0f} degrees only: compare with the part in the hand"
        notes.append(NotMeasured("hole-unsure", text))
    if facing.probability < CLEAR_FACING and _mirror_matters(holes, hand):
        text = "which side is seen is not clear; from the other side left and right change places: say --facing screw or plug"
        notes.append(NotMeasured("facing-unknown", text))
    missing = [name for name, size in sizes.items() if size is None] if used is not None else []
    if missing:
        named = ", ".join(missing).replace("_", " ")
        notes.append(NotMeasured("not-measured", f"not measured: {named}"))
    if "reach" in missing and len(missing) < len(sizes):
        text = "where the tail ends was not seen (hidden, burnt out or in shadow): measure the reach with a calliper"
        notes.append(NotMeasured("tail-end-unseen", text))
    reach = sizes.get("reach")
    if reach is not None and not PLAUSIBLE_REACH_MM[0] <= reach.value <= PLAUSIBLE_REACH_MM[1]:
        text = f"a reach of {reach.value:.1f} mm is unusual for a cam: check which coin lies there"
        notes.append(NotMeasured("size-unusual", text))
    hub = sizes.get("hub_diameter")
    if hub is not None and not PLAUSIBLE_HUB_MM[0] <= hub.value <= PLAUSIBLE_HUB_MM[1]:
        text = f"a hub of {hub.value:.1f} mm is unusual for a cam: check which coin lies there and that its whole rim shows"
        notes.append(NotMeasured("size-unusual", text))
    return notes


def holes_quarrel(holes: tuple[ScrewHole, ...]) -> bool:
    """True when through holes of one part differ so much that one edge was likely taken for another.

    Holes of one cam take like screws (common practice, no source); a countersink is 1.3 to 2.6 times its hole.
    """
    sizes = [hole.diameter_mm.value for hole in holes if hole.diameter_mm is not None]
    return len(sizes) > 1 and max(sizes) > UNLIKE_HOLES * min(sizes)


def _mirror_matters(holes: tuple[ScrewHole, ...], hand: Word) -> bool:
    """True unless the mirror image has the same outline and the same clock positions."""
    if hand.label != "none":
        return True
    angles = sorted(h.angle_deg.value for h in holes if h.angle_deg is not None)
    mirrored = sorted((360.0 - a) % 360.0 for a in angles)
    # from the other side a hole lies off by this difference and by its own error: both must stay within the half hour
    widest = max((h.angle_deg.u for h in holes if h.angle_deg is not None), default=0.0)
    room = CLOCK_STEP_DEG / 2.0 - 2.0 * widest
    return any(abs((a - b + 180.0) % 360.0 - 180.0) > room for a, b in zip(angles, mirrored, strict=True))


def _covariance(measured: Measurement) -> Covariance:
    kept = [
        i
        for i, name in enumerate(measured.names)
        if np.isfinite(measured.values[i]) and not name.endswith((".angle", ".radius"))
    ]
    return Covariance(tuple(measured.names[i] for i in kept), measured.covariance[np.ix_(kept, kept)])


def _budget(measured: Measurement) -> tuple[BudgetLine, ...]:
    lines = []
    for i, output in enumerate(measured.names):
        if not np.isfinite(measured.values[i]):
            continue
        for j, source in enumerate(measured.inputs):
            contribution = abs(float(measured.derivatives[i, j])) * float(measured.input_u[j])
            if contribution > 0.0:
                lines.append(
                    BudgetLine(
                        output,
                        "deg" if output.endswith("angle") else "mm",
                        source,
                        float(measured.input_u[j]),
                        INPUT_UNITS.get(source, "mm"),
                        float(measured.derivatives[i, j]),
                        contribution,
                    )
                )
    return tuple(lines)


INPUT_UNITS: Final = {
    "focal length": "px",
    "tilt across": "rad",
    "tilt along": "rad",
    "distance and scale": "1",
    "lens at the corners": "1",
    "lens distortion": "1",
    "tail direction": "deg",
}
