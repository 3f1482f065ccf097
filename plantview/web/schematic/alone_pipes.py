"""The pipes of one machine drawn alone, and the pumps and valves that stand in its branches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from plantview.model.plant import Loop, Plant, Port, Stage
from plantview.model.services import WORDS, service_of
from plantview.web.schematic import glyphs, sizes
from plantview.web.schematic.geometry import Box
from plantview.web.schematic.labels import shortened
from plantview.web.schematic.scene import Pipe, Scene
from plantview.web.schematic.sheet import Sheet
from plantview.web.schematic.svg import group

_LEFT_SIDES: Final = ("condenser", "cool")
_OFFSET: Final = 56.0
_WIDE_OFFSET: Final = 84.0
"""From the machine's middle to its pipes, where a pump with its texts stands in one of them."""
_BESIDE: Final = 110.0
"""From the machine's outline to what stands next to it in its branch."""
_STEP: Final = 170.0
"""From there to the next."""
_MARGIN: Final = 40.0


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a port stands: its branch with everything before and after it."""

    plant: Plant
    loop: Loop
    stage: Stage
    key: str
    branch: tuple[Port, ...]
    port: Port

    def beside(self, role: str) -> tuple[Port, ...]:
        """Return what stands before (``in``) or after (``out``) the machine in its branch, nearest first."""
        at = self.branch.index(self.port)
        return self.branch[:at][::-1] if role == "in" else self.branch[at + 1 :]

    def small(self, role: str) -> list[str]:
        """Return the pumps and valves up to the next machine."""
        found: list[str] = []
        for port in self.beside(role):
            if self.plant.equipment[port.equipment].kind not in {"pump", "valve"}:
                break
            found.append(port.equipment)
        return found

    def leads(self, role: str) -> str:
        """Return where a pipe comes from or goes to: the next machine of the branch, else the header."""
        others = [port.equipment for port in self.beside(role)][len(self.small(role)) :]
        return others[0] if others else (self.stage.start if role == "in" else self.stage.end)


def draw_pipes(scene: Scene, sheet: Sheet, stands: Standing, box: Box, middle: float) -> None:
    """Draw the pipe into a port and the one out of it, with what stands in them and where they lead."""
    port = stands.port
    through = port.side == "" and box.w < sizes.TOWER_W
    at_left = port.side in (*_LEFT_SIDES, "coil")
    offset = _WIDE_OFFSET if port.side in {"condenser", "evaporator", "cool", "warm"} else _OFFSET
    for role, header in (("in", stands.stage.start), ("out", stands.stage.end)):
        y = middle + (offset if (role == "in") == bool(port.side) else -offset)
        if through:
            y, at_left = middle, role == "in"
        if port.side == "recovery":
            y += 2 * offset + 22
        edge = box.cx if through else box.x if at_left else box.right
        far = _MARGIN if at_left else scene.width - _MARGIN
        ends = ((far, y), (edge, y)) if role == "in" else ((edge, y), (far, y))
        service = service_of(stands.loop, header)
        scene.pipes.append(Pipe("stub", header, service, ends, ((stands.key, 1),), WORDS[service]))
        outward = -1 if at_left else 1
        small = stands.small(role)
        for place, name in enumerate(small):
            _beside(scene, sheet, stands.plant, name, (edge + outward * (_BESIDE + _STEP * place), y), outward, role)
        room = abs(far - edge) - 110 - (_BESIDE + _STEP * (len(small) - 1) if small else 0)
        anchor = "start" if at_left else "end"
        told = f"{'from' if role == 'in' else 'to'} {stands.leads(role)}"
        scene.marks.append(
            sheet.text(far, y - 18, shortened(WORDS[service], room, sizes.LABEL), sizes.LABEL, anchor=anchor)
        )
        scene.marks.append(sheet.text(far, y + 36, shortened(told, room, sizes.LABEL), sizes.LABEL, anchor=anchor))


def _beside(
    scene: Scene, sheet: Sheet, plant: Plant, name: str, at: tuple[float, float], outward: int, role: str
) -> None:
    item = plant.equipment[name]
    if item.kind == "pump":
        eastward = (outward > 0) == (role == "out")
        scene.glyphs.append(glyphs.pump(sheet, item, at, eastward))
        return
    x, y = at
    scene.glyphs.append(glyphs.valve(item, at))
    label = shortened(item.label, 140, sizes.SMALL)
    scene.marks.append(sheet.text(x, y + 38, label, sizes.SMALL, anchor="middle"))
    word = sheet.text(x, y + 62, "?", sizes.SMALL, class_="word", bold=True, room=86, fit=True, anchor="middle")
    scene.marks.append(group(word, class_="machine valve-word", data_equipment=name, data_state="unknown"))
