"""Network files: the card inside, one JSON value in the ONNX metadata that says what it was made from; and small weights."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import onnx

HALVED_FROM: Final = 256  # values from which a tensor is stored in 16 bits


def code_version() -> str:
    """The commit the code stands at: CAMDIAL_CODE_VERSION where that is set, else what git says, or "unknown".

    A commit whose files were changed since ends in "-dirty".
    """
    if told := os.environ.get("CAMDIAL_CODE_VERSION"):
        return told
    command = ["git", "-C", str(Path(__file__).parent), "describe", "--always", "--dirty", "--abbrev=12", "--exclude=*"]
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def read_card(path: Path, schema: str) -> dict[str, Any]:
    """The card of a network file.

    Raises
    ------
    ValueError
        If the file carries no card of this schema.
    """
    for entry in onnx.load(path).metadata_props:
        if entry.key == schema:
            card: dict[str, Any] = json.loads(entry.value)
            return card
    raise ValueError(f"{path.name} carries no card {schema}")


def halve(path: Path) -> None:
    """Store the weights of an ONNX file as float16; they are cast back to float32 when it is opened.

    ONNX Runtime folds the casts while it opens the file: sessions compute as before, with weights rounded to 11 bits.
    """
    model = onnx.load(path)
    kept, casts = [], []
    for tensor in model.graph.initializer:
        if tensor.data_type != onnx.TensorProto.FLOAT or np.prod(tensor.dims) < HALVED_FROM:
            kept.append(tensor)
            continue
        half = onnx.numpy_helper.to_array(tensor).astype(np.float16)
        kept.append(onnx.numpy_helper.from_array(half, f"{tensor.name}.half"))
        casts.append(onnx.helper.make_node("Cast", [f"{tensor.name}.half"], [tensor.name], to=onnx.TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.save(model, path)


def write_card(path: Path, schema: str, card: Mapping[str, Any]) -> None:
    """Put a card into a checked ONNX file in place of whatever its metadata said.

    The new file is written beside the old one and takes its place whole.
    """
    model = onnx.load(path)
    onnx.checker.check_model(model, full_check=True)
    del model.metadata_props[:]
    onnx.helper.set_model_props(model, {schema: json.dumps(card, sort_keys=True)})
    part = path.with_suffix(".part")
    onnx.save(model, part)
    part.replace(path)
