"""Which one measurement would settle a doubt best: the one expected to leave the fewest wrong decisions."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shop.calliper import (
    TRIAL,
    CalliperQuantity,
    how_to,
    jaws_mm,
    key_of,
    part_quantities,
    value_of,
    words_of,
)
from shop.clearance import UNDER_SIZE_MM, UNDER_SIZE_U_MM
from shop.doubts import FITS_ANYHOW
from shop.draws import Draws
from shop.judging import Judged
from shop.measured import CALLIPER_U95_MM, Array, MeasuredPart
from shop.reasons import top
from vision.quantity import COVERAGE_FACTOR
from vision.vocabulary import HANDED_FAMILIES

MOST_DRAWS: Final = 6000  # enough to rank quantities; the verdict itself uses all
BINS: Final = 80
AS_GOOD: Final = 0.05  # of two that save nearly the same share of doubt, the easier one is asked
LEAST_DOUBT: Final = 1e-9
BY_TRIAL: Final = 0.5  # the part tried on the cylinder, so much more
ON_THE_CYLINDER: Final = 0.25  # what needs the cylinder, with its screws out, must save this much more
WELL_WORTH: Final = 0.5  # a measurement that removes less than this share of the doubt gives way to a trial, or to what
# must be known before one
DECIDED_AT: Final = 0.5
SETTLED_FROM: Final = 0.95  # a trial shows the screws only: it comes when all else is settled as far as this
OUT_OF_REACH: Final = 4.0  # a value this many standard uncertainties off what was read need not be spoken of
TELL_THE_SCALE: Final = ("reach", "tail-width", "hole-distance")
CALLIPER_U_MM: Final = CALLIPER_U95_MM / COVERAGE_FACTOR


@dataclass(frozen=True, slots=True)
class DecideBy:
    """The measurement that decides. `turns_at` is where the answer turns, mm; None for what is seen by eye."""

    quantity: str
    unit: str  # mm, by eye or by hand
    turns_at: float | None
    fits_when: str  # above, below, between, or the word that must be seen
    measure: str  # what to write before the = when giving the value; empty for a trial
    between: tuple[float, float] | None
    where: str
    jaws_mm: tuple[tuple[float, float], ...]
    settles: float  # share of the present chance of a wrong decision that it is expected to remove
    likely: float = 1.0  # of the word that must be seen
    risks: tuple[float, float] | None = None  # of a wrong yes and a wrong no, once measured; lengths only

    def to_record(self) -> dict[str, Any]:
        """As JSON values."""
        return {
            "quantity": self.quantity,
            "unit": self.unit,
            "turns_at": self.turns_at,
            "fits_when": self.fits_when,
            "measure": self.measure or None,
            "between": None if self.between is None else list(self.between),
            "where": self.where,
            "jaws_mm": [[round(x, 3), round(y, 3)] for x, y in self.jaws_mm],
            "settles": round(self.settles, 3),
            "risks": None if self.risks is None else [round(risk, 4) for risk in self.risks],
        }


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Probability of a fit against the value a calliper would show, in bins of equal numbers of draws."""

    value: Array
    probability: Array

    @property
    def loss(self) -> float:
        """Chance of a wrong decision once the value is known."""
        return float(np.minimum(self.probability, 1.0 - self.probability).mean())


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a calliper would show in each draw, its own error included: the draws in that order, and mean values."""

    quantity: CalliperQuantity
    order: NDArray[np.intp]  # (BINS, draws in a bin)
    value: Array  # (BINS,)
    now: float  # expected at present
    of_none: Array | None = (
        None  # (BINS, draws in a bin), 1 for a draw of a part that is none of the list's; None if all
    )

    def curve(self, each: Array) -> Curve:
        """Average the fit over draws that would show nearly the same value; `each` is (N,), a probability a draw.

        A listed part's own value found does not make it likelier that the part is a listed one: near twins share lengths.
        """
        fits = each[self.order]
        whole = fits.sum(axis=1)
        each_bin = self.order.shape[1]
        if self.of_none is None:
            return Curve(self.value, whole / each_bin)
        none = self.of_none.sum(axis=1)
        of_none = np.einsum("bk,bk->b", fits, self.of_none)
        listed = np.minimum(1.0 - none / each_bin, 1.0 - float(none.mean()) / each_bin)
        usual = float(of_none.sum()) / max(float(none.sum()), 1.0)
        own = np.where(none > 0.0, of_none / np.maximum(none, 1.0), usual)
        theirs = (whole - of_none) / np.maximum(each_bin - none, 1.0)
        return Curve(self.value, listed * theirs + (1.0 - listed) * own)


def shown_by(quantity: CalliperQuantity, shown: Array, of_none: Array | None = None) -> Shown:
    """Sort draws by what a calliper would show, (N,)."""
    order = np.argsort(shown)[: len(shown) // BINS * BINS].reshape(BINS, -1)
    kept = None if of_none is None or bool(of_none.all()) else of_none[order]
    return Shown(quantity, order, shown[order].mean(axis=1), float(shown.mean()), kept)


class Asker:
    """Finds the deciding measurement of one candidate after another on the same draws.

    What a calliper would show depends on the draws alone, unless a length was not measured and is taken as the
    candidate's own; so it is sorted once.
    """

    def __init__(
        self,
        measured: MeasuredPart,
        draws: Draws,
        rng: np.random.Generator,
        tolerances_mm: tuple[float, float] = (0.5, 0.5),
    ) -> None:
        self.measured, self.draws, self.rng = measured, draws, rng
        self.tolerances_mm = tolerances_mm  # of reach and tail width
        self._sorted: dict[CalliperQuantity, Shown] = {}
        self._idle: Shown | None = None
        self._count = 0

    def shown(self, judged: Judged) -> tuple[Shown, tuple[Shown, ...]]:
        """An idle quantity that tells nothing, and every length a calliper can take."""
        count = min(MOST_DRAWS, len(judged.each))
        draws = self.draws.first(count)
        none = draws.of_none()
        if self._idle is None or self._count != count:
            self._sorted, self._count = {}, count
            self._idle = shown_by(CalliperQuantity("idle"), self.rng.random(count), none)
        found = []
        for quantity in _quantities(self.measured, draws):
            shown = self._sorted.get(quantity)
            if shown is None:
                value = _ideal(quantity, self.measured, draws, judged.states[:count], self.rng)
                shown = shown_by(quantity, value + CALLIPER_U_MM * self.rng.standard_normal(count), none)
                if not _taken_as_own(quantity, self.measured):
                    self._sorted[quantity] = shown
            found.append(shown)
        return self._idle, tuple(found)

    def best(self, judged: Judged) -> DecideBy:
        """The measurement whose outcome is expected to remove most wrong decisions about one candidate.

        A decision taken now goes wrong with min(p, 1 - p). A measurement splits the draws by what it would show; on
        each value the better of the two decisions is taken, and the mean of min(p, 1 - p) over the values is what
        remains (expected value of sample information, with the same cost for either mistake). Lengths carry a
        calliper's uncertainty, what is seen by eye none.

        Returns
        -------
        DecideBy
        """
        p = judged.probability
        doubt = max(min(p, 1.0 - p), LEAST_DOUBT)
        shown = self.shown(judged)
        found = [*_lengths(self.measured, shown, judged), *_looks(self.measured, judged)]
        trial = self._trial(judged, doubt)
        settled = self.measured.is_measured("reach") and judged.settled >= SETTLED_FROM
        # Nor does a trial show a tail's width: one that the photo did not measure was not compared at all.
        compared = judged.part.tail_width_mm is None or self.measured.is_measured("tail_width")
        if settled and compared:
            found.append(trial)
        best = _first_best(found, doubt)
        if best is not None and best[0] >= WELL_WORTH * doubt:
            return best[1]
        # No single measurement settles it. The screws are best left to a trial, when all else is settled; until then
        # what settles most of that is asked for.
        if settled:
            return trial[1] if compared else self._widest(judged) or trial[1]
        # A part that is the likelier refused is settled by what refuses it, whatever else is open.
        refuses = self._against(judged)
        if refuses is not None:
            return refuses
        ahead = _before_a_trial(self.measured, shown, judged, found)
        if ahead is not None:
            return ahead
        return self._widest(judged) or trial[1] if best is None else best[1]

    def _widest(self, judged: Judged) -> DecideBy | None:
        """Of reach and tail width the one known worst beside its tolerance; None when a calliper has told both.

        For a photo too vague to tell anything of a part: then no single length is expected to turn the answer.
        """
        own = {"reach": judged.part.reach_mm, "tail-width": judged.part.tail_width_mm}
        best: tuple[float, DecideBy] | None = None
        for row, (kind, tolerance) in enumerate(zip(own, self.tolerances_mm, strict=True)):
            quantity, value = CalliperQuantity(kind), own[kind]
            if value is None or kind in self.measured.taken:
                continue
            u = math.sqrt(max(float(self.measured.covariance[row, row]), 0.0))
            low, high = value - tolerance, value + tolerance
            now = float(self.measured.mean[row])
            turns = (low if abs(now - low) <= abs(now - high) else high), "between", (low, high)
            if u > CALLIPER_U_MM and (best is None or u / max(tolerance, 0.01) > best[0]):
                best = u / max(tolerance, 0.01), _length(self.measured, quantity, turns, 0.0)
        return None if best is None else best[1]

    def _against(self, judged: Judged) -> DecideBy | None:
        """The length that speaks most against a part, by what was read; None for a part that may well agree."""
        rest, screws = judged.rest
        if float(rest.sum()) >= DECIDED_AT * float(screws.sum()):
            return None
        part = judged.part
        own = {"reach": part.reach_mm, "tail-width": part.tail_width_mm}
        most: tuple[float, DecideBy] | None = None
        turns: tuple[float, str, tuple[float, float] | None]
        for row, (kind, tolerance) in enumerate(zip(own, self.tolerances_mm, strict=True)):
            value = own[kind]
            if value is None or kind in self.measured.taken or not self.measured.is_measured(kind.replace("-", "_")):
                continue
            off = float(self.measured.mean[row]) - value
            u = math.sqrt(max(float(self.measured.covariance[row, row]), 1e-12))
            beyond = (abs(off) - tolerance) / u
            if beyond > 0.0 and (most is None or beyond > most[0]):
                near = value + math.copysign(tolerance, off)
                if abs(off) + tolerance > OUT_OF_REACH * u:
                    turns = near, "below" if off > 0.0 else "above", None
                else:
                    turns = near, "between", (value - tolerance, value + tolerance)
                most = beyond, _length(self.measured, CalliperQuantity(kind), turns, 0.0)
        return None if most is None else most[1]

    def about_the_reading(self) -> DecideBy:
        """What tells whether the reading itself holds: a look at its drawing, or one length when the scale is in doubt."""
        doubts = self.measured.doubts
        if doubts.drawing >= doubts.lengths or "reach" in self.measured.taken:
            return _seen(self.measured, CalliperQuantity("drawing"), "right", "drawing", doubts.drawing / doubts.void)
        reach = CalliperQuantity("reach")
        expected = round(float(self.measured.mean[0]), 2)
        return DecideBy(
            quantity=words_of(reach, self.measured),
            unit="mm",
            turns_at=expected,
            fits_when="near",
            measure=key_of(reach, self.measured),
            between=None,
            where=how_to(reach, self.measured),
            jaws_mm=jaws_mm(reach, self.measured),
            settles=doubts.lengths / doubts.void,
        )

    def _trial(self, judged: Judged, doubt: float) -> tuple[float, DecideBy]:
        """The part tried on the cylinder: it shows whether the screws agree, and nothing else."""
        saved = doubt - _split([judged.screws_each, 1.0 - judged.screws_each], judged.each)
        seen = _seen(self.measured, CalliperQuantity(TRIAL), "every screw starts", "", max(0.0, saved) / doubt)
        return saved, seen


def risks(each: Array, accepted: NDArray[np.bool_]) -> tuple[float, float]:
    """Chance of a wrong yes and of a wrong no when the draws marked are accepted and the others refused.

    The consumer's and the producer's risk of JCGM 106:2012, clause 9, over all draws.

    Parameters
    ----------
    each : ndarray of shape (N,)
        Probability of a fit, given the draw.
    accepted : ndarray of shape (N,), bool
    """
    return float(((1.0 - each) * accepted).mean()), float((each * ~accepted).mean())


def turning(curve: Curve, now_mm: float) -> tuple[float, str, tuple[float, float] | None] | None:
    """Where the answer turns: value, above/below/between, and the interval if there are two ends.

    It turns at a probability of one half; when other doubts keep it below that throughout, at half of its highest.
    Of two ends the one nearer to `now_mm`, the value expected at present, is the turning value.
    """
    wide = np.concatenate([curve.probability[:1], curve.probability, curve.probability[-1:]])
    smooth = (wide[:-2] + wide[1:-1] + wide[2:]) / 3.0
    level = DECIDED_AT if smooth.max() > DECIDED_AT else 0.5 * float(smooth.max())
    yes = smooth > level
    if yes.all() or not yes.any():
        return None
    best, start = (0, 0), None
    for i, one in enumerate([*yes, False]):
        if one and start is None:
            start = i
        elif not one and start is not None:
            best, start = max(best, (start, i), key=lambda run: run[1] - run[0]), None
    first, after = best

    def crossing(i: int, j: int) -> float:
        a, b = smooth[i] - level, smooth[j] - level
        return float(curve.value[i] + (curve.value[j] - curve.value[i]) * a / (a - b))

    low = crossing(first - 1, first) if first > 0 else None
    high = crossing(after, after - 1) if after < len(yes) else None
    if low is not None and high is not None:
        return (low if abs(now_mm - low) <= abs(now_mm - high) else high), "between", (low, high)
    if low is not None:
        return low, "above", None
    assert high is not None
    return high, "below", None


def _first_best(found: Sequence[tuple[float, DecideBy]], whole: float) -> tuple[float, DecideBy] | None:
    """The one that saves most of the whole doubt; of nearly equal ones the first, which is the easiest."""
    best: tuple[float, DecideBy] | None = None
    for saved, decide_by in found:
        premium = AS_GOOD
        if not decide_by.measure:
            premium = BY_TRIAL
        elif decide_by.measure.startswith(("thread-distance", "screw-diameter")):
            premium = ON_THE_CYLINDER
        more = premium * whole
        if saved > 0.0 and (best is None or saved > best[0] + more):
            best = saved, decide_by
    return best


def _split(groups: Sequence[Array], each: Array) -> float:
    """Chance of a wrong decision left when it is known to which group a draw belongs (shares per draw)."""
    left = 0.0
    for share in groups:
        weight = float(share.mean())
        if weight > 0.0:
            p = float((share * each).mean()) / weight
            left += weight * min(max(p, 0.0), max(1.0 - p, 0.0))
    return left


def _quantities(measured: MeasuredPart, draws: Draws) -> list[CalliperQuantity]:
    """Every length a calliper can take on part and cylinder, but those it has told already."""
    found = list(part_quantities(measured))
    if len(draws.threads) > 1:
        found.append(CalliperQuantity("screw-diameter"))
    pairs = itertools.combinations(range(len(measured.holes)), 2)
    found += [CalliperQuantity("thread-distance", pair) for pair in pairs]
    return [quantity for quantity in found if key_of(quantity, measured) not in measured.taken]


def _ideal(
    quantity: CalliperQuantity, measured: MeasuredPart, draws: Draws, states: Array, rng: np.random.Generator
) -> Array:
    """What a calliper without error would show in each draw, (N,), mm."""
    if quantity.kind == "screw-diameter":
        return np.asarray(draws.major_mm - (UNDER_SIZE_MM + UNDER_SIZE_U_MM * rng.standard_normal(len(states))))
    if quantity.kind == "thread-distance":
        one, other = (states[:, measured.hole_rows(i)] + draws.offsets[:, i] for i in quantity.holes)
        return np.asarray(np.hypot(*(one - other).T))
    return value_of(quantity, states)


def _taken_as_own(quantity: CalliperQuantity, measured: MeasuredPart) -> bool:
    """Whether a length hangs on one that was not measured, and so on the candidate."""
    if quantity.kind == "reach":
        return not measured.is_measured("reach")
    if quantity.kind == "hole-diameter":
        return False
    return not all(measured.is_measured(f"holes[{i}].{axis}") for i in quantity.holes for axis in "xy")


def _lengths(
    measured: MeasuredPart, shown: tuple[Shown, tuple[Shown, ...]], judged: Judged
) -> list[tuple[float, DecideBy]]:
    """Every length a calliper can take that may turn the answer, with the wrong decisions it saves."""
    idle = shown[0].curve(judged.each)
    # What an idle quantity would seem to save, only because bins hold few draws, is no saving.
    doubt = max(idle.loss, 1e-9)
    found = []
    # A length of the part tells whether the scale is void, besides what it tells with a sound one.
    doubts = measured.doubts
    anyhow = FITS_ANYHOW * judged.words
    drawing, lengths = doubts.drawing * judged.of_none, doubts.lengths * float(np.mean(judged.of_none))
    sound = (1.0 - drawing) * judged.plain + drawing * anyhow
    void = lengths * min(anyhow, 1.0 - anyhow)
    for one in shown[1]:
        quantity, curve = one.quantity, one.curve(judged.each)
        tells_scale = doubts.lengths > 0.0 and quantity.kind in TELL_THE_SCALE
        left = (1.0 - lengths) * one.curve(sound).loss + void if tells_scale else curve.loss
        turns = turning(curve, one.now)
        if turns is None:
            continue
        saved = doubt - left
        after = risks(curve.probability, curve.probability > DECIDED_AT)
        found.append((saved, _length(measured, quantity, turns, max(0.0, saved / doubt), after)))
    return found


def _length(
    measured: MeasuredPart,
    quantity: CalliperQuantity,
    turns: tuple[float, str, tuple[float, float] | None],
    settles: float,
    after: tuple[float, float] | None = None,
) -> DecideBy:
    at_mm, side, between = turns
    return DecideBy(
        quantity=words_of(quantity, measured),
        unit="mm",
        turns_at=round(at_mm, 2),
        fits_when=side,
        measure=key_of(quantity, measured),
        between=None if between is None else (round(between[0], 2), round(between[1], 2)),
        where=how_to(quantity, measured),
        jaws_mm=jaws_mm(quantity, measured),
        settles=settles,
        risks=after,
    )


def _looks(measured: MeasuredPart, judged: Judged) -> list[tuple[float, DecideBy]]:
    """What can be seen by eye, with the wrong decisions that seeing it saves.

    A word the candidate needs with probability w makes p = w times the rest; without it there is no fit.
    """
    part, p = judged.part, judged.probability
    doubt = max(min(p, 1.0 - p), LEAST_DOUBT)
    needs = {"family": (part.family, measured.family[part.family])}
    if part.bottom == "closed":
        needs["bottom"] = ("closed", measured.bottom["closed"])
    if part.family in HANDED_FAMILIES:
        sided = measured.hand["left"] + measured.hand["right"]
        needs["hand"] = (part.hand, measured.hand[part.hand] / sided if sided > 0.0 else 0.5)
    found = []
    if measured.doubts.drawing > 0.0:
        drawing = measured.doubts.drawing * float(np.mean(judged.of_none))
        anyhow = FITS_ANYHOW * judged.words
        rest = min(max((p - drawing * anyhow) / (1.0 - drawing), 0.0), 1.0) if drawing < 1.0 else anyhow
        saved = doubt - (1.0 - drawing) * min(rest, 1.0 - rest) - drawing * min(anyhow, 1.0 - anyhow)
        found.append((saved, _seen(measured, CalliperQuantity("drawing"), "right", "drawing", saved / doubt)))
    for kind, (word, weight) in needs.items():
        if 0.0 < weight < 1.0:
            rest = min(p / weight, 1.0)
            saved = doubt - weight * min(rest, 1.0 - rest)
            seen = _seen(measured, CalliperQuantity(kind), word, kind, saved / doubt)
            found.append((saved, replace(seen, likely=weight)))
    if len(judged.sides) == 2:
        stated = top(measured.facing)
        other = "plug" if stated == "screw" else "screw"
        better = stated if judged.sides[0].probability >= judged.sides[1].probability else other
        saved = doubt - sum(side.share * min(side.probability, 1.0 - side.probability) for side in judged.sides)
        found.append((saved, _seen(measured, CalliperQuantity("facing"), better, "facing", saved / doubt)))
    return found


def _before_a_trial(
    measured: MeasuredPart,
    shown: tuple[Shown, tuple[Shown, ...]],
    judged: Judged,
    found: Sequence[tuple[float, DecideBy]],
) -> DecideBy | None:
    """What to measure or look at when a trial of the screws is to follow: it leaves the fewest wrong decisions then.

    With the screws known to agree, deciding goes wrong with min(P, S - P): P is the chance that all agrees, S that the
    screws do. What is known by name already is not asked for again.
    """
    each, screws = judged.rest
    count = min(len(each), len(judged.states))
    each, screws = each[:count], screws[:count]
    all_agree, screws_agree = float(each.mean()), float(screws.mean())
    now = max(min(all_agree, screws_agree - all_agree), 0.0)
    doubts, of_none = measured.doubts, float(np.mean(judged.of_none))
    ahead = []
    for one in shown[1]:
        p, s = one.curve(each).probability, one.curve(screws).probability
        turns = turning(Curve(one.value, p / np.maximum(s, 1e-9)), one.now)
        if turns is None:
            continue
        saved = now - float(np.minimum(p, np.maximum(s - p, 0.0)).mean())
        if one.quantity.kind in TELL_THE_SCALE:
            saved += of_none * doubts.lengths * screws_agree
        ahead.append((saved, _length(measured, one.quantity, turns, saved / max(now, LEAST_DOUBT))))
    for _, decide_by in found:
        key = decide_by.measure
        if key == "drawing":
            saved = of_none * doubts.drawing * screws_agree
        elif key == "facing":
            kept = [side for side in judged.sides if side.share > 0.0]
            saved = now - sum(
                side.share * max(min(side.probability, side.screws - side.probability), 0.0) for side in kept
            )
        elif key in ("family", "bottom", "hand"):
            weight = decide_by.likely
            saved = now - max(min(all_agree, weight * screws_agree - all_agree), 0.0)
        else:
            continue
        ahead.append((saved, decide_by))
    best = _first_best(ahead, max(now, judged.void * screws_agree))
    return None if best is None else best[1]


def _seen(measured: MeasuredPart, quantity: CalliperQuantity, word: str, measure: str, settles: float) -> DecideBy:
    words = "trial on the cylinder" if quantity.kind == TRIAL else words_of(quantity, measured)
    unit = "by hand" if quantity.kind == TRIAL else "by eye"
    return DecideBy(words, unit, None, word, measure, None, how_to(quantity, measured), (), settles)
