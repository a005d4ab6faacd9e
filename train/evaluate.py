"""How right and how honest the words are on labelled pictures, through the run-time code, beside peers.

    python -m train.evaluate --models vision/models --data HELD_OUT [--peers TRAINING] [--mobilenet RUN] \\
        [--log reader=LOG --log mobilenet=LOG] --card docs/model-card.md

Measures are not judged here: this is the table of words.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import numpy as np

from train.calibrate import (
    BINS,
    NO_TRUTH,
    Look,
    Photo,
    calibration_error_by_chance,
    expected_calibration_error,
    folders_option,
    look_at_all,
)
from train.dataset import describe, labelled, read_example
from vision.classify import PatchReading, RawReading, interpret, part_hand, run_reader
from vision.models import WORDS, Model, load
from vision.patch import PATCH_PX
from vision.reading import Word
from vision.segment import LONG_SIDE_PX, find_regions

PEER_PICTURES: Final = 4000  # training pictures of a mask peer unless said: an SVM's time grows with their square
DISTANCE_MM: Final = ((0.0, 200.0), (200.0, 300.0), (300.0, 1e9))


@dataclass(frozen=True, slots=True)
class Verdict:
    """One picture: which words came out right, and how sure they were."""

    look: Look
    reading: PatchReading | None
    hand: Word | None

    @property
    def is_cam(self) -> bool:
        return self.look.label.family is not None

    @property
    def taken_for_cam(self) -> bool:
        return self.reading is not None and self.reading.is_cam

    def word(self, name: str) -> Word | None:
        """The reading's word, the hand as the part's."""
        if self.reading is None:
            return None
        return {
            "family": self.reading.family,
            "bottom": self.reading.bottom,
            "hand": self.hand,
            "facing": self.reading.facing,
        }[name]

    def right(self, name: str) -> bool:
        word = self.word(name)
        return word is not None and word.label == getattr(self.look.label, name)

    @property
    def wrong_and_sure(self) -> bool:
        """Taken for a cam, one single family and bottom, and one of them wrong; or no cam and yet all that."""
        if not self.taken_for_cam or self.reading is None:
            return False
        single = len(self.reading.family.plausible) == 1 and len(self.reading.bottom.plausible) == 1
        return single and not (self.is_cam and self.right("family") and self.right("bottom"))


def judge(looks: Iterable[Look], reader: Model) -> list[Verdict]:
    """Calibrated readings of looks."""
    verdicts = []
    for look in looks:
        if look.logits is None or look.feature is None:
            verdicts.append(Verdict(look, None, None))
            continue
        nothing = np.zeros((2, 2), np.float32)
        raw = RawReading(np.zeros((5, 1, 1), np.float32), nothing, nothing[0], 0.0, look.logits, look.feature)
        reading = interpret(raw, reader.calibration)
        verdicts.append(Verdict(look, reading, part_hand(reading.hand_seen, reading.facing)))
    return verdicts


def share(values: Sequence[bool]) -> float | None:
    """Mean of booleans, None of nothing."""
    return float(np.mean(values)) if len(values) else None


def table(verdicts: Sequence[Verdict]) -> dict[str, Any]:
    """The figures of a set of pictures; a cam that was not found counts as wrong in every word."""
    cams = [v for v in verdicts if v.is_cam]
    others = [v for v in verdicts if not v.is_cam]
    figures: dict[str, Any] = {
        "cams": len(cams),
        "family": share([v.right("family") for v in cams]),
        "bottom": share([v.right("bottom") for v in cams]),
        "hand, where there is one": share(
            [v.right("hand") for v in cams if v.look.label.hand != "none" and v.look.label.facing_shows]
        ),
        "hand as seen, where there is one": share([_hand_seen(v) for v in cams if v.look.label.hand != "none"]),
        "facing, where it shows": share([v.right("facing") for v in cams if v.look.label.facing_shows]),
        "facing, all": share([v.right("facing") for v in cams]),
        "cams refused or not found": share([not v.taken_for_cam for v in cams]),
        "not-cams": len(others),
        "not-cams refused": share([not v.taken_for_cam for v in others]),
        "wrong and sure": share([v.wrong_and_sure for v in verdicts]),
    }
    for name in ("family", "bottom", "hand", "facing"):
        words = [(v.word(name), getattr(v.look.label, name)) for v in cams]
        figures |= _honesty(name, [(word, truth) for word, truth in words if word is not None])
    read = [(v.reading, v.look) for v in cams if v.reading is not None]
    hands = [(reading.hand_seen, look.truth["hand"]) for reading, look in read]
    figures |= _honesty("hand as seen", [(word, WORDS["hand"][t]) for word, t in hands if t != NO_TRUTH])
    for shows, where in ((True, "where it shows"), (False, "where it does not")):
        facing = [(reading.facing, look.label.facing) for reading, look in read if look.label.facing_shows is shows]
        if facing:
            figures[f"facing set size, {where}"] = float(np.mean([len(word.plausible) for word, _ in facing]))
    return figures


def _honesty(name: str, seen: Sequence[tuple[Word, str | None]]) -> dict[str, Any]:
    """How honest one word's probabilities and sets are on the pictures where it was said, beside the truth."""
    if not seen:
        return {}
    confidence = np.array([word.probability for word, _ in seen])
    return {
        f"{name} empty sets": sum(not word.plausible for word, _ in seen),
        f"{name} ECE": expected_calibration_error(confidence, np.array([word.label == t for word, t in seen])),
        f"{name} ECE by chance alone": calibration_error_by_chance(confidence),
        f"{name} coverage": share([t in word.plausible for word, t in seen]),
        f"{name} set size": float(np.mean([len(word.plausible) for word, _ in seen])),
    }


def _hand_seen(verdict: Verdict) -> bool:
    truth = verdict.look.truth["hand"]
    return verdict.reading is not None and WORDS["hand"].index(verdict.reading.hand_seen.label) == truth


def groups(verdicts: Sequence[Verdict], key: Callable[[Verdict], str]) -> dict[str, dict[str, Any]]:
    """The figures of every group."""
    names = sorted({key(v) for v in verdicts})
    return {name: table([v for v in verdicts if key(v) == name]) for name in names}


def distance_band(verdict: Verdict) -> str:
    """The distance of the phone as a range in mm."""
    mm = verdict.look.label.distance_mm
    if mm is None:
        return "unknown"
    low, high = next(band for band in DISTANCE_MM if band[0] <= mm < band[1])
    return f"{low:.0f}-{high:.0f} mm" if high < 1e6 else f"over {low:.0f} mm"


def speed(models: Path, picture: Any) -> dict[str, float]:
    """Median milliseconds of processor time of the networks, which run on one thread."""
    finder, reader = load(models / "finder.onnx", "finder"), load(models / "reader.onnx", "reader")
    patch = np.zeros((1, PATCH_PX, PATCH_PX, 3), np.uint8)

    def median_ms(call: Callable[[], Any]) -> float:
        times = []
        for _ in range(12):
            began = time.process_time()
            call()
            times.append(time.process_time() - began)
        return float(np.median(times[2:]) * 1e3)

    return {
        f"finder, long side {LONG_SIDE_PX} px": median_ms(lambda: find_regions(Photo(picture), model=finder)),
        "reader, one look (two are taken)": median_ms(lambda: run_reader(patch, model=reader)),
    }


def light_of(verdict: Verdict) -> str:
    """The scene's light, or that a flash was on."""
    tags = verdict.look.label.tags
    return "flash" if tags.get("flash") == "on" else tags.get("light", "unknown")


def picture_of(verdict: Verdict) -> str:
    """Whether the picture was blurred, noisy or badly exposed on purpose."""
    hard = verdict.look.label.tags.get("difficulty") == "hard"
    return "blurred, noisy or badly exposed" if hard else "usual"


def clutter_of(verdict: Verdict) -> str:
    """How many other things lie about, the scale reference aside."""
    count = sum(shape.kind in ("clutter", "other", "occluder") for shape in verdict.look.label.shapes)
    return ("none", "one")[count] if count < 2 else "more"


def tilt_of(verdict: Verdict) -> str:
    """The tilt of the phone as a range in degrees."""
    tilt = verdict.look.label.tilt_deg
    return "unknown" if tilt is None else "0-10" if tilt < 10.0 else "10-20" if tilt < 20.0 else "over 20"


def coverage_rows(verdicts: Sequence[Verdict]) -> list[str]:
    """Of each label: pictures, how often its prediction set holds it, and the sets' mean size."""
    lines = ["| word | label | pictures | set holds it | mean set size |", "|---" * 5 + "|"]
    cams = [v for v in verdicts if v.is_cam]
    for name in ("family", "bottom", "hand", "facing"):
        for label in sorted({str(getattr(v.look.label, name)) for v in cams}):
            words = [v.word(name) for v in cams if str(getattr(v.look.label, name)) == label]
            seen = [word for word in words if word is not None]
            held = share([label in word.plausible for word in seen])
            size = f"{np.mean([len(word.plausible) for word in seen]):.2f}" if seen else "–"
            lines.append(f"| {name} | {label} | {len(seen)} | {percent(held)} | {size} |")
    return lines


def percent(value: Any) -> str:
    """A share as a percentage; counts and sizes as they are."""
    if value is None:
        return "–"
    return str(value) if isinstance(value, int) else f"{100.0 * value:.1f} %"


def rows_of(tables: Mapping[str, Mapping[str, Any]], columns: Sequence[str]) -> list[str]:
    """A Markdown table, one line a group."""
    lines = ["| | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    for name, figures in tables.items():
        lines.append(f"| {name} | " + " | ".join(percent(figures.get(column)) for column in columns) + " |")
    return lines


def model_card(
    verdicts: Sequence[Verdict],
    finder: Model,
    reader: Model,
    times: Mapping[str, float],
    peers: Mapping[str, Any],
    sizes: float,
    logs: Mapping[str, Any] | None = None,
    tested: Sequence[Mapping[str, Any]] = (),
) -> str:
    """The model card (after Mitchell et al. 2019) as Markdown, every figure of it measured in this run."""
    whole = table(verdicts)
    cams = [v for v in verdicts if v.is_cam]
    columns = [
        "cams",
        "family",
        "bottom",
        "hand as seen, where there is one",
        "facing, where it shows",
        "cams refused or not found",
        "wrong and sure",
    ]
    lines = [
        "# Model card",
        "",
        "Written by `python -m train.evaluate`; do not edit by hand.",
        "",
        "## Intended use",
        "",
        "Two small networks read one phone photo of a mortise cylinder's cam. The finder says where cam, coin, ruler",
        "and card lie. The reader looks at the part and gives maps of face, holes, countersinks, reliefs and screw",
        "heads, the axis and the tail, and four words: outline family, bottom, hand and facing, or that it is no cam.",
        "They advise a person who holds the part; they decide nothing about a door by themselves.",
        "",
        "## Data",
        "",
        "Rendered pictures only; no photo of a real cam was seen in training, calibration or the test below.",
        "",
    ]
    for name, model in (("finder", finder), ("reader", reader)):
        training = model.card.get("training", {})
        seconds, steps, batch = (training.get(key, "?") for key in ("elapsed_s", "step", "batch"))
        began = f", begun from {training['began_from']}" if training.get("began_from") else ""
        lines.append(
            f"- {name}: {steps} steps of {batch} pictures in {seconds} s{began}, code `{model.card.get('code')}`"
        )
        lines += [
            f"  - `{d['folder']}`: {d['pictures']} pictures, Labels' SHA-256 `{d['sha256'][:16]}`"
            for d in model.card.get("data", [])
        ]
    calibrated = reader.card.get("calibrated_on") or {"data": []}
    lines += [
        f"- calibration: `{d['folder']}`, {d['pictures']} pictures, `{d['sha256'][:16]}`" for d in calibrated["data"]
    ]
    lines += [
        "",
        f"Size of both files {sizes:.1f} MB. Processor time on the machine that wrote this: "
        + ", ".join(f"{k} {v:.0f} ms" for k, v in times.items())
        + ".",
        "",
    ]
    lines += [
        f"## Results on {len(verdicts)} held-out pictures",
        "",
        "Through the run-time code, words only. A cam the finder missed counts as wrong in every word.",
        "",
    ]
    known = {d["sha256"] for d in calibrated["data"]}
    lines += [
        f"- `{d['folder']}`, {d['pictures']} pictures, Labels' SHA-256 `{d['sha256'][:16]}`"
        + (" **(the calibration saw these: no test of it)**" if d["sha256"] in known else "")
        for d in tested
    ]
    lines += [""] if tested else []
    lines += ["| figure | value |", "|---|---|"]
    for name, value in whole.items():
        lines.append(f"| {name} | {f'{value:.2f}' if value is not None and 'set size' in name else percent(value)} |")
    for title, key in (
        ("family", lambda v: str(v.look.label.family)),
        ("light", light_of),
        ("picture", picture_of),
        ("things lying about", clutter_of),
        ("bench", lambda v: v.look.label.tags.get("bench", "unknown")),
        ("distance of the phone", distance_band),
        ("tilt of the phone, degrees", tilt_of),
        ("scale", lambda v: v.look.label.scale_kind or "none"),
    ):
        lines += ["", f"### By {title}", "", *rows_of(groups(cams, key), columns)]
    lines += ["", "### Prediction sets, label by label", "", *coverage_rows(verdicts)]
    others = [v for v in verdicts if not v.is_cam]
    if others:
        kinds = groups(others, lambda v: v.look.label.tags.get("not_cam", "unknown"))
        lines += ["", "### Not cams", "", *rows_of(kinds, ["not-cams", "not-cams refused", "wrong and sure"])]
    if peers:
        lines += [
            "",
            "## Peers on the same pictures",
            "",
            "Only pictures in which a cam was found; the mask peers see the reader's mask, turned tail up.",
            "",
        ]
        lines += rows_of(peers, ["family", "bottom", "hand", "facing", "ece"])
    if logs:
        lines += [
            "",
            "## Networks on the training pictures held back",
            "",
            "The last validation of each run's log: every 50th training picture, none of them trained on, at any roll.",
            "",
            *rows_of(logs, ["family", "bottom", "hand", "facing", "cam"]),
        ]
    lines += [
        "",
        "## Limits",
        "",
        f"ECE has {BINS} bins; by chance alone it is in the mean what is told for one who is right exactly as often as",
        "stated, on as many pictures. Prediction sets hold the true label 95 % of the time only for pictures like those",
        "of the calibration: a real photo is a shift from every render. Facing is right where it shows as soon as the",
        "screw side is always named, for countersinks and screws show on no other side; over all parts it is hardly",
        "better than naming the commoner side, so its sets hold both, and those of a handed part's hand too. Parts",
        "of other kinds than the eight families are not known.",
        "",
    ]
    return "\n".join(lines)


def peers_of(verdicts: Sequence[Verdict], training: Sequence[Look], mobilenet: Path | None) -> dict[str, Any]:
    """Figures of the reader and its peers over the cams that were found."""
    from train import peers

    test = peers.usable([v.look for v in verdicts])
    found = [v for v in verdicts if v.is_cam and v.reading is not None]
    whole = table(found)
    hands = [_hand_seen(v) for v in found if v.look.truth["hand"] not in (0, NO_TRUTH)]
    rows: dict[str, Any] = {
        "this reader": {
            "family": whole["family"],
            "bottom": whole["bottom"],
            "hand": share(hands),
            "facing": whole["facing, where it shows"],
            "ece": whole["family ECE"],
        }
    }
    if training:
        for name, features in peers.MASK_PEERS.items():
            rows[f"{name}, {len(training)} pictures"] = peers.mask_peer(features, training, test)
    if mobilenet is not None:
        rows["MobileNetV3-small from scratch"] = peers.network_peer(mobilenet, test)
    return rows


def logs_of(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> dict[str, Any]:
    """The last validation in each of NAME=FILE."""
    found: dict[str, Any] = {}
    for value in values:
        name, _equals, path = value.partition("=")
        try:
            lines = [json.loads(line) for line in Path(path).read_text().splitlines() if line.startswith("{")]
            found[name] = [line["validation"] for line in lines if "validation" in line][-1]
        except (OSError, ValueError, IndexError) as error:
            raise click.BadParameter(f"{value}: no log with a validation ({error})") from error
    return found


@click.command()
@click.option(
    "--models",
    default=Path("vision/models"),
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder with finder.onnx and reader.onnx.",
)
@folders_option("--data", "folders", "Held-out folder of pictures with Labels; may be given again.", required=True)
@folders_option("--peers", "peer_folders", "Training folder of the mask peers; without it they are left out.")
@click.option(
    "--mobilenet",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of a run of `train.loop --which mobilenet`.",
)
@click.option(
    "--log",
    "logs",
    multiple=True,
    callback=logs_of,
    help="A run's log.jsonl as NAME=FILE: its last validation goes into the card.",
)
@click.option("--peer-pictures", type=int, default=PEER_PICTURES, show_default=True, help="Of --peers, at most.")
@click.option("--limit", type=int, help="Only so many pictures.")
@click.option("--card", "card_path", type=click.Path(dir_okay=False, path_type=Path), help="Write the model card here.")
def main(
    models: Path,
    folders: tuple[Path, ...],
    peer_folders: tuple[Path, ...],
    mobilenet: Path | None,
    logs: dict[str, Any],
    peer_pictures: int,
    limit: int | None,
    card_path: Path | None,
) -> None:
    """Print the table of words for labelled pictures, and write the model card."""
    finder, reader = load(models / "finder.onnx", "finder"), load(models / "reader.onnx", "reader")
    paths = [path for folder in folders for path in labelled(folder)][:limit]
    if not paths:
        raise click.ClickException("the folders hold no pictures with Labels")
    verdicts = judge(look_at_all(paths, models), reader)
    for name, value in table(verdicts).items():
        click.echo(f"{name:36} {f'{value:.3f}' if 'set size' in name and value is not None else percent(value)}")
    training: list[Look] = []
    if peer_folders:
        spread = [path for folder in peer_folders for path in labelled(folder)]
        spread = spread[:: max(1, len(spread) // peer_pictures)][:peer_pictures]
        training = look_at_all(spread, models, by_truth=True)
    peers = peers_of(verdicts, training, mobilenet) if training or mobilenet else {}
    for name, figures in peers.items():
        click.echo(f"{name:32} " + ", ".join(f"{k} {percent(v)}" for k, v in figures.items()))
    if card_path is not None:
        sizes = sum((models / f"{name}.onnx").stat().st_size for name in ("finder", "reader")) / 1e6
        times = speed(models, read_example(paths[0])[0])
        tested = [describe(folder, labelled(folder)) for folder in folders]
        card_path.write_text(model_card(verdicts, finder, reader, times, peers, sizes, logs, tested))
        click.echo(f"model card: {card_path}")


if __name__ == "__main__":
    main()
