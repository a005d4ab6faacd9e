"""A finished run -> an ONNX file with its card, checked against the network it came from.

python -m train.export --run RUN --out vision/models
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import onnxruntime as ort
import torch
from numpy.typing import NDArray
from torch import nn

from train.card import code_version, halve, write_card
from train.checkpoint import finished_weights, log_records
from train.model import MEAN, STD, FinderForUse, ReaderForUse, build_network
from vision.models import CLASSES, MAPS, SCHEMA, WORDS, default_calibration
from vision.patch import PART_FILL, PATCH_PX
from vision.segment import LONG_SIDE_PX, MULTIPLE, STRIDE

OPSET: Final = 17
PARITY: Final = 1e-4  # greatest difference allowed between PyTorch and ONNX Runtime, probabilities and logits
HALF_PARITY: Final = 2e-2  # the same when weights are stored in 16 bits; 2e-3 to 4e-3 is usual
OUTPUTS: Final = {
    "finder": ("probability",),
    "reader": ("maps", "points", "spread", "hub_radius", "words", "feature", "centres"),
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
        "input": {
            **size,
            "layout": "NHWC uint8 RGB",
            "mean": list(MEAN),
            "std": list(STD),
            "normalised": "inside",
            "weights": "float16",
        },
        "calibration": default_calibration(),
        "calibrated_on": None,
        "data": list(record["data"]) if record else [],
        "training": {**record["config"], **record["progress"], **record.get("versions", {})} if record else {},
        "code": record["code"] if record else code_version(),
    }


def export(network: nn.Module, which: str, path: Path, record: Mapping[str, Any] | None = None) -> tuple[float, float]:
    """Write a network as ONNX; the greatest differences to PyTorch before and after its weights were rounded to float16.

    Points and lengths in pixels are compared over 256 px, so that one bound serves all outputs.

    Raises
    ------
    RuntimeError
        If ONNX Runtime disagrees with PyTorch by more than `PARITY`, or then by more than `HALF_PARITY`.
    """
    module = (FinderForUse(network) if which == "finder" else ReaderForUse(network)).eval().cpu()
    shape = (2, 96, 128, 3) if which == "finder" else (2, PATCH_PX, PATCH_PX, 3)
    example = torch.randint(0, 256, shape, dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    free = {0: "n", 1: "height", 2: "width"} if which == "finder" else {0: "n"}
    freed = {0: "n", 2: "rows", 3: "columns"} if which == "finder" else {0: "n"}
    new = path.with_suffix(".new")
    axes = {"rgb": free, **dict.fromkeys(OUTPUTS[which], freed)}
    truth = write_onnx(module, (example,), new, ("rgb",), OUTPUTS[which], axes)
    exact = difference(new, which, example.numpy(), truth, PARITY)
    halve(new)
    rounded = difference(new, which, example.numpy(), truth, HALF_PARITY)
    write_card(new, SCHEMA, card(which, record))
    new.replace(path)
    return exact, rounded


def write_onnx(
    module: nn.Module,
    example: Sequence[torch.Tensor],
    path: Path,
    given: Sequence[str],
    told: Sequence[str],
    axes: Mapping[str, Any],
) -> list[NDArray[np.float32]]:
    """Write a module with named inputs and outputs as ONNX; what PyTorch makes of the example."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the older exporter says that it is the older one; it needs no further package
        torch.onnx.export(
            module,
            tuple(example),
            str(path),
            opset_version=OPSET,
            dynamo=False,
            input_names=list(given),
            output_names=list(told),
            dynamic_axes=dict(axes),
        )
        wanted = module(*example)
    wanted = (wanted,) if isinstance(wanted, torch.Tensor) else wanted
    return [output.numpy() for output in wanted]


def parity(
    path: Path, given: Sequence[str], example: Sequence[torch.Tensor], wanted: Sequence[NDArray[np.float32]]
) -> float:
    """The greatest difference of a network file's outputs to PyTorch's.

    Raises
    ------
    RuntimeError
        If it is more than `PARITY`.
    """
    got = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"]).run(
        None, {name: tensor.numpy() for name, tensor in zip(given, example, strict=True)}
    )
    worst = max(float(np.abs(np.asarray(a) - b).max()) for a, b in zip(got, wanted, strict=True))
    if not worst <= PARITY:
        raise RuntimeError(f"{path.name}: ONNX Runtime differs from PyTorch by {worst:.2e}, more than {PARITY:.0e}")
    return worst


def difference(
    path: Path, which: str, example: NDArray[np.uint8], wanted: Sequence[NDArray[np.float32]], bound: float
) -> float:
    """The greatest difference of a network file's outputs to the wanted ones.

    Raises
    ------
    RuntimeError
        If it is more than the bound.
    """
    got = ort.InferenceSession(path.read_bytes(), providers=["CPUExecutionProvider"]).run(None, {"rgb": example})
    worst = 0.0
    for name, mine, theirs in zip(OUTPUTS[which], wanted, got, strict=True):
        unit = PATCH_PX if name in ("points", "spread", "hub_radius") else max(1.0, float(np.abs(theirs).max()))
        worst = max(worst, float(np.abs(mine - theirs).max()) / unit)
    if not worst <= bound:
        raise RuntimeError(f"{which}: ONNX Runtime differs from PyTorch by {worst:.2e}, more than {bound:.0e}")
    return worst


def export_run(run: Path, folder: Path) -> Path:
    """Export the averaged weights of a run, finished or cut off, as `finder.onnx` or `reader.onnx` in a folder."""
    record = finished_weights(run)
    which = record["config"]["which"]
    network = build_network(which)
    network.load_state_dict(record["average"])
    log = log_records(run) if (run / "log.jsonl").exists() else ()
    began = [line for line in log if "began_from" in line][:1]
    if began:
        start = f"{began[0]['began_from']} {began[0].get('sha256', '')[:16]}".strip()
        record = {**record, "versions": {**record.get("versions", {}), "began_from": start}}
    path = folder / f"{which}.onnx"
    exact, rounded = export(network, which, path, record)
    size = f"{path.stat().st_size / 1e6:.2f} MB"
    click.echo(f"{path.name}: {size}, differs from PyTorch by {exact:.1e}, with weights in 16 bits by {rounded:.1e}")
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
