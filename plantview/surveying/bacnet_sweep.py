"""Finds BACnet devices by Who-Is in ranges and reads what they hold, one question at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final, Protocol

from plantview.clock import Clock, utc_text
from plantview.drivers.bacnet_browse import INSTANCE_MAX
from plantview.drivers.bacnet_facts import Announced, ObjectFacts
from plantview.errors import DriverError
from plantview.surveying.results import FoundDevice, Survey

Range = tuple[int, int]
EVERYBODY: Final[Range] = (0, INSTANCE_MAX)
CROWDED: Final = 60
"""More answers than this to one Who-Is get lost in the rush: the range is asked in two halves next time."""
OBJECTS_PER_STEP: Final = 50
"""After so many objects what is found is kept."""
Progress = Callable[[str, int, int], None]
"""What is being done, how much of it is done, of how much."""
Keep = Callable[[], None]


class Browses(Protocol):
    """The part of a browser that a sweep needs."""

    notes: dict[str, str]

    async def who_is(self, low: int, high: int, wait_s: float) -> list[Announced]: ...
    async def who_is_at(self, address: str, wait_s: float, instance: int | None = None) -> Announced: ...
    async def device(self, device: Announced) -> dict[str, str | list[str]]: ...
    async def object_list(self, device: Announced) -> tuple[list[str], str]: ...
    async def objects(self, device: Announced, identifiers: Sequence[str]) -> list[ObjectFacts]: ...


async def find_by_broadcast(
    browser: Browses,
    survey: Survey,
    ranges: Sequence[Range],
    rounds: int,
    wait_s: float,
    keep: Keep,
    progress: Progress,
) -> None:
    """Ask everybody several times and merge the answers: one round alone rarely hears all."""
    for turn in range(rounds):
        heard: dict[str, FoundDevice] = {}
        crowded: list[Range] = []
        for at, (low, high) in enumerate(ranges):
            progress(f"Who-Is, round {turn + 1} of {rounds}", at, len(ranges))
            answers = await browser.who_is(low, high, wait_s)
            for answer in answers:
                device = FoundDevice(answer)
                heard.setdefault(device.key, device)
            crowded += split((low, high), answers)
        progress(f"Who-Is, round {turn + 1} of {rounds}", len(ranges), len(ranges))
        for key, device in heard.items():
            survey.devices.setdefault(key, device).rounds_heard += 1
        ranges = crowded
        keep()


def split(asked: Range, answers: Iterable[Announced]) -> list[Range]:
    """Return a range as it is asked next time: in two halves by number of devices if too many answered at once."""
    instances = sorted({answer.instance for answer in answers})
    if len(instances) <= CROWDED:
        return [asked]
    middle = instances[len(instances) // 2]
    return [(asked[0], middle - 1), (middle, asked[1])]


async def find_at(
    browser: Browses, survey: Survey, hosts: Sequence[str], wait_s: float, progress: Progress
) -> dict[str, str]:
    """Ask each given address (``host:port``, or ``host:port=instance``) alone; return those that did not answer, with why."""
    silent: dict[str, str] = {}
    for at, host in enumerate(hosts):
        progress("asking the given addresses", at, len(hosts))
        try:
            address, _, instance = host.partition("=")
            device = FoundDevice(await browser.who_is_at(address, wait_s, int(instance) if instance else None))
        except DriverError as error:
            silent[host] = error.detail
            continue
        survey.devices.setdefault(device.key, device).rounds_heard += 1
    progress("asking the given addresses", len(hosts), len(hosts))
    return silent


async def read_devices(browser: Browses, survey: Survey, keep: Keep, progress: Progress, clock: Clock) -> None:
    """Read what every found device holds; what an earlier survey has read is not asked again."""
    for device in survey.devices.values():
        device.trouble = ""
        if not device.done:
            device.read_at = utc_text(clock.now_ms())
        try:
            await _read(browser, device, keep, progress)
        except DriverError as error:
            device.trouble = error.detail
        device.note = browser.notes.get(device.announced.address, device.note)
        keep()


async def _read(browser: Browses, device: FoundDevice, keep: Keep, progress: Progress) -> None:
    label = f"device {device.announced.instance}"
    if not device.properties:
        device.properties = dict(await browser.device(device.announced))
    if not device.listed:
        device.object_list, device.listed = await browser.object_list(device.announced)
    missing = [one for one in device.object_list if one not in device.objects]
    total = len(device.object_list)
    for start in range(0, len(missing), OBJECTS_PER_STEP):
        progress(label, total - len(missing) + start, total)
        step = missing[start : start + OBJECTS_PER_STEP]
        for found in await browser.objects(device.announced, step):
            device.objects[found.identifier] = found
        keep()
    progress(label, total, total)
