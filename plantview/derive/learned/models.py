"""The models of one plant in ``DATA/models.json``: written whole by ``plantview learn``, read again when the file changes."""

from __future__ import annotations

import json
import logging
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from plantview.calcs._numeric import is_number
from plantview.derive.learned.chiller import TERMS, biquadratic_kw
from plantview.derive.learned.envelope import Axis, Envelope
from plantview.derive.learned.tower import approach_k
from plantview.errors import OutsideSourceRange
from plantview.model.columns import Floats

if TYPE_CHECKING:
    from plantview.calcs._numeric import Numeric

FILE: Final = "models.json"
SCHEMA: Final = 1
OCTETS_MAX: Final = 16_000_000
NOT_LEARNED: Final = "nothing was learned yet about {machine}: run plantview learn"
_NUMBERS: Final = {"chiller": 2 * 3 + TERMS + 3, "tower_cell": 3}
_AXES: Final = {"chiller": 3, "tower_cell": 4}
log = logging.getLogger("plantview.derive")


@dataclass(frozen=True, slots=True)
class Record:
    """What a person wants to know before trusting a model."""

    learned_ms: int
    from_ms: int
    to_ms: int
    samples: int
    """Steady means of five minutes that the fit saw."""
    held_back: int
    """Those that it did not see: whole days, by which the next three are judged."""
    rmse: float
    """In the unit of the target (kW, K)."""
    cv_rmse_pct: float
    band: float
    """Nineteen of twenty single readings of the held-back days lay this near, in the unit of the target."""
    gordon_ng_cv_rmse_pct: float | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Model:
    """One machine's normal."""

    kind: str
    numbers: tuple[float, ...]
    """Chiller: middle and half width of three inputs, ten coefficients, b0 b1 b2. Tower: flow, factor, K added."""
    envelope: Envelope
    record: Record
    _scaled: tuple[tuple[float, float], ...] = field(init=False, default=(), repr=False)

    def __post_init__(self) -> None:
        if self.kind == "chiller":
            pairs = tuple((self.numbers[at], self.numbers[at + 1]) for at in (0, 2, 4))
            object.__setattr__(self, "_scaled", pairs)

    @property
    def gordon_ng(self) -> tuple[float, float, float]:
        """Return b0 [kW/K], b1 [kW], b2 [K/kW] of a chiller."""
        return self.numbers[-3], self.numbers[-2], self.numbers[-1]

    def expected(self, *inputs: Numeric) -> Numeric:
        """Return power [kW] or approach [K]; a number outside the envelope is refused, an element is NaN."""
        if is_number(inputs[0]):
            numbers: Any = inputs
            why = self.envelope.why_outside(numbers)
            if why:
                raise OutsideSourceRange(why)
            return self._form(*inputs)
        inside = self.envelope.holds(cast("tuple[Floats, ...]", inputs))
        return cast("Numeric", np.where(inside, cast("Floats", self._form(*inputs)), np.nan))

    def _form(self, *inputs: Numeric) -> Numeric:
        if self.kind == "chiller":
            load, cw, chw = inputs
            return biquadratic_kw(load, cw, chw, self._scaled, self.numbers[6 : 6 + TERMS])
        across, wet, water, air = inputs
        return approach_k(across, wet, water, air, (self.numbers[0], self.numbers[1], self.numbers[2]))


class Learned:
    """The models that hold now; ``look`` takes in a new file, whole or not at all."""

    def __init__(self, data: Path | None = None, plant_id: str = "") -> None:
        self._file, self._plant_id = data / FILE if data else None, plant_id
        self._stamp: tuple[int, int] | None = None
        self.models: Mapping[str, Model] = {}
        self.trouble = ""
        self.look()

    def look(self) -> bool:
        """Read the file again if it is another one than before; return whether models were taken in.

        A file that cannot be used changes nothing and is said in ``trouble``: the models before it go on.
        """
        if self._file is None:
            return False
        try:
            found = self._file.stat()
        except OSError:
            return False  # no file: nothing new was learned
        stamp = (found.st_mtime_ns, found.st_size)
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        try:
            self.models = read_models(self._file, self._plant_id)
        except (OSError, ValueError) as error:
            self.trouble = f"{self._file.name} cannot be used: {error}"
            log.warning("%s", self.trouble)
            return False
        self.trouble = ""
        return True

    def why_none(self, machine: str) -> str:
        """Return why there is no model of a machine; empty where there is one."""
        return "" if machine in self.models else NOT_LEARNED.format(machine=machine)

    def expected(self, machine: str, inputs: Sequence[Numeric]) -> Numeric:
        """Return what the model of a machine expects; refused as it refuses, and where there is none."""
        return self.of(machine).expected(*inputs)

    def of(self, machine: str) -> Model:
        """Return the model of a machine; OutsideSourceRange where there is none."""
        model = self.models.get(machine)
        if model is None:
            raise OutsideSourceRange(self.why_none(machine))
        return model


def read_models(file: Path, plant_id: str) -> dict[str, Model]:
    """Return the models of a file; ValueError in words for one that is not of this form or of another plant."""
    if file.stat().st_size > OCTETS_MAX:
        raise ValueError(f"it is larger than {OCTETS_MAX // 1_000_000} MB")
    found = json.loads(file.read_bytes())
    try:
        if found["schema"] != SCHEMA:
            raise ValueError(f"it is of form {found['schema']}, this program reads form {SCHEMA}")
        if plant_id and found["plant"] != plant_id:
            raise ValueError(f"it is of the plant {found['plant']}, not of {plant_id}")
        return {str(machine): _model(row) for machine, row in found["machines"].items()}
    except (KeyError, TypeError, AttributeError, IndexError) as error:
        raise ValueError(f"something is missing or of another form in it ({error})") from error


def write_models(data: Path, plant_id: str, models: Mapping[str, Model]) -> Path:
    """Replace the file in one step; a crash leaves the old one or the new one."""
    machines = {machine: _row(model) for machine, model in sorted(models.items())}
    file, draft = data / FILE, data / f".{FILE}.draft"
    text = json.dumps({"schema": SCHEMA, "plant": plant_id, "machines": machines}, allow_nan=False)
    with draft.open("w", encoding="utf-8") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    draft.replace(file)
    folder = os.open(data, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return file


def _row(model: Model) -> dict[str, Any]:
    axes = [asdict(axis) for axis in model.envelope.axes]
    return {
        "kind": model.kind,
        "numbers": model.numbers,
        "axes": axes,
        "seen": model.envelope.seen,
        "record": asdict(model.record),
    }


def _model(row: Mapping[str, Any]) -> Model:
    kind, numbers = str(row["kind"]), tuple(float(each) for each in row["numbers"])
    axes = tuple(Axis(**each) for each in row["axes"])
    if len(numbers) != _NUMBERS.get(kind) or len(axes) != _AXES[kind] or not all(map(math.isfinite, numbers)):
        raise ValueError(f"a {kind} has other numbers than these")
    seen = tuple(tuple(int(each) for each in cell) for cell in row["seen"])
    known = all(
        len(cell) == len(axes) and all(0 <= at < axis.bins for at, axis in zip(cell, axes, strict=True))
        for cell in seen
    )
    if not seen or not known:
        raise ValueError("its bins lie outside its axes")
    record = dict(row["record"])
    record["remarks"] = tuple(record["remarks"])
    return Model(kind, numbers, Envelope(axes, seen), Record(**record))
