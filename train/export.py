"""A finished run -> an ONNX file with its card, checked against the network it came from.

python -m train.export --run RUN --out vision/models
"""

from __future__ import annotations

import os
import subprocess
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import onnx
import onnxruntime as ort
import torch
from torch import nn

from train.calibrate import write_card
from train.loop import build_network, finished_weights
from train.model import MEAN, STD, FinderForUse, ReaderForUse
from vision.models import CLASSES, MAPS, SCHEMA, WORDS, default_calibration
from vision.patch import PART_FILL, PATCH_PX
from vision.segment import LONG_SIDE_PX, MULTIPLE, STRIDE

OPSET: Final = 17
PARITY: Final = 1e-4  # greatest difference allowed between PyTorch and ONNX Runtime, probabilities and logits
OUTPUTS: Final = {
    "finder": ("probability",),
    "reader": ("maps", "points", "spread", "hub_radius", "words", "feature"),
}


def card(which: str, record: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The card of a network: what it takes, what it says, what it was trained on; not calibrated yet."""
    size = (
        {"long_side": LONG_SIDE_PX, "multiple": MULTIPLE, "stride": STRIDE}
        if which == "finder"
        else {"side": PATCH_PX, "fill": PART_FILL}
    )
    return {
        "schema": SCHEMA,
        "which": which,
        "classes": list(CLASSES),
        "maps": list(MAPS),
        "words": {word: list(labels) for word, labels in WORDS.items()},
        "input": {**size, "layout": "NHWC uint8 RGB", "mean": list(MEAN), "std": list(STD), "normalised": "inside"},
        "calibration": default_calibration(),
        "calibrated_on": None,
        "data": list(record["data"]) if record else [],
        "training": {**record["config"], **record["progress"]} if record else {},
        "code": code_version(),
    }


def code_version() -> str:
    """The commit the code stands at: CAMDIAL_CODE_VERSION where that is set, else what git says, or "unknown"."""
    if told := os.environ.get("CAMDIAL_CODE_VERSION"):
        return told
    command = ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short=12", "HEAD"]
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def export(network: nn.Module, which: str, path: Path, record: Mapping[str, Any] | None = None) -> float:
    """Write a network as ONNX and return the greatest difference to PyTorch, output by output within `PARITY`.

    Points and lengths in pixels are compared over 256 px, so that one bound serves all outputs.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch.
    """
    module = (FinderForUse(network) if which == "finder" else ReaderForUse(network)).eval().cpu()
    shape = (2, 96, 128, 3) if which == "finder" else (2, PATCH_PX, PATCH_PX, 3)
    example = torch.randint(0, 256, shape, dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    free = {0: "n", 1: "height", 2: "width"} if which == "finder" else {0: "n"}
    freed = {0: "n", 2: "rows", 3: "columns"} if which == "finder" else {0: "n"}
    path.parent.mkdir(parents=True, exist_ok=True)
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the older exporter says that it is the older one; it needs no further package
        torch.onnx.export(
            module,
            (example,),
            str(path),
            opset_version=OPSET,
            dynamo=False,
            input_names=["rgb"],
            output_names=list(OUTPUTS[which]),
            dynamic_axes={"rgb": free, **dict.fromkeys(OUTPUTS[which], freed)},
        )
        onnx.checker.check_model(onnx.load(path), full_check=True)
        write_card(path, card(which, record))
        wanted = module(example)
    wanted = (wanted,) if isinstance(wanted, torch.Tensor) else wanted
    session = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    got = session.run(None, {"rgb": example.numpy()})
    worst = 0.0
    for name, mine, theirs in zip(OUTPUTS[which], wanted, got, strict=True):
        unit = PATCH_PX if name in ("points", "spread", "hub_radius") else max(1.0, float(np.abs(theirs).max()))
        worst = max(worst, float(np.abs(mine.numpy() - theirs).max()) / unit)
    if not worst <= PARITY:
        raise RuntimeError(f"{path.name}: ONNX Runtime differs from PyTorch by {worst:.2e}, more than {PARITY:.0e}")
    return worst


def export_run(run: Path, folder: Path) -> Path:
    """Export the averaged weights of a run's last checkpoint as `finder.onnx` or `reader.onnx` in a folder."""
    record = finished_weights(run)
    which = record["config"]["which"]
    network = build_network(which)
    network.load_state_dict(record["average"])
    path = folder / f"{which}.onnx"
    worst = export(network, which, path, record)
    click.echo(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB, greatest difference to PyTorch {worst:.1e}")
    return path


@click.command()
@click.option(
    "--run", required=True, type=click.Path(exists=True, file_okay=False, path_type=Path), help="Folder of a run."
)
@click.option(
    "--out", "folder", required=True, type=click.Path(file_okay=False, path_type=Path), help="Folder for the file."
)
def main(run: Path, folder: Path) -> None:
    """Write the network of a run as ONNX."""
    export_run(run, folder)


if __name__ == "__main__":
    main()
