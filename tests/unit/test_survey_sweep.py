"""A sweep merges rounds, splits a crowd, keeps what is found after every step and goes on where it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from plantview.clock import ManualClock
from plantview.drivers.bacnet_facts import Announced, ObjectFacts
from plantview.errors import DeviceSilent, StartRefused
from plantview.surveying.bacnet_sweep import (
    CROWDED,
    EVERYBODY,
    OBJECTS_PER_STEP,
    find_at,
    find_by_broadcast,
    read_devices,
    split,
)
from plantview.surveying.conduct import Order
from plantview.surveying.report import device_lines, spans, unit_lines
from plantview.surveying.results import FILE, FoundDevice, FoundUnit, Survey, keep, kept


def device(instance: int, address: str = "") -> Announced:
    return Announced(instance, address or f"192.0.2.{instance % 250}:47808", 480, "no-segmentation", 999)


def facts(identifier: str) -> ObjectFacts:
    return ObjectFacts(
        identifier, f"name of {identifier}", "", "kilowatts", 1.5, ("OFF", "ON"), ("overridden",), ((8, 1.0),), True, ""
    )


def unheard(what: str, done: int, whole: int) -> None:
    assert 0 <= done <= whole, what


@dataclass
class FakeBrowser:
    """Answers as told; each round of Who-Is hears only a part of the devices."""

    rounds: list[list[Announced]] = field(default_factory=list)
    there: dict[str, Announced] = field(default_factory=dict)
    objects_of: dict[int, list[str]] = field(default_factory=dict)
    fails_after: int = 10**9
    asked: list[str] = field(default_factory=list)
    ranges: list[tuple[int, int]] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)

    async def who_is(self, low: int, high: int, wait_s: float) -> list[Announced]:
        self.ranges.append((low, high))
        return [one for one in (self.rounds.pop(0) if self.rounds else []) if low <= one.instance <= high]

    async def who_is_at(self, address: str, wait_s: float, instance: int | None = None) -> Announced:
        if address not in self.there:
            raise DeviceSilent(address, "no answer")
        return self.there[address]

    async def device(self, device: Announced) -> dict[str, str | list[str]]:
        self.asked.append(f"device {device.instance}")
        return {"object-name": f"D{device.instance}", "protocol-services-supported": ["read-property"]}

    async def object_list(self, device: Announced) -> tuple[list[str], str]:
        self.asked.append(f"list {device.instance}")
        return self.objects_of.get(device.instance, []), "whole"

    async def objects(self, device: Announced, identifiers: Sequence[str]) -> list[ObjectFacts]:
        found = []
        for identifier in identifiers:
            if len(self.asked) >= self.fails_after:
                raise DeviceSilent(device.address, "no answer")
            self.asked.append(identifier)
            found.append(facts(identifier))
        return found


async def test_rounds_are_merged_and_each_device_says_how_often_it_was_heard() -> None:
    browser = FakeBrowser(rounds=[[device(1), device(2)], [device(2), device(3)], [device(2)]])
    survey = Survey()
    await find_by_broadcast(browser, survey, [EVERYBODY], 3, 0.1, lambda: None, unheard)
    assert {one.announced.instance: one.rounds_heard for one in survey.devices.values()} == {1: 1, 2: 3, 3: 1}


async def test_a_range_with_too_many_answers_is_asked_in_two_halves_next_time() -> None:
    crowd = [device(number) for number in range(1, CROWDED + 11)]
    browser = FakeBrowser(rounds=[crowd, crowd, crowd])
    survey = Survey()
    await find_by_broadcast(browser, survey, [EVERYBODY], 2, 0.1, lambda: None, unheard)
    assert len(browser.ranges) == 3
    (_, low_end), (high_start, _) = browser.ranges[1:]
    assert high_start == low_end + 1
    assert all(one.rounds_heard == 2 for one in survey.devices.values())


def test_the_halves_of_a_range_leave_nobody_out() -> None:
    crowd = [device(10 * number) for number in range(100)]
    (low, middle), (next_one, high) = split((0, 5_000), crowd)
    assert (low, high, next_one) == (0, 5_000, middle + 1)
    assert split((0, 5_000), crowd[:3]) == [(0, 5_000)]


async def test_two_devices_with_one_instance_are_both_kept_and_called_out() -> None:
    survey = Survey()
    browser = FakeBrowser(rounds=[[device(7, "192.0.2.1:47808"), device(7, "192.0.2.2:47808")]])
    await find_by_broadcast(browser, survey, [EVERYBODY], 1, 0.1, lambda: None, unheard)
    assert survey.duplicates() == {7: ["192.0.2.1:47808", "192.0.2.2:47808"]}
    assert any("claimed by 192.0.2.1:47808 and 192.0.2.2:47808" in line for line in device_lines(survey, 1))


async def test_a_given_address_that_does_not_answer_is_named_and_costs_no_other() -> None:
    browser = FakeBrowser(there={"192.0.2.5:47808": device(5)})
    survey = Survey()
    silent = await find_at(browser, survey, ["192.0.2.4:47808", "192.0.2.5:47808"], 0.1, unheard)
    assert silent == {"192.0.2.4:47808": "no answer"}
    assert len(survey.devices) == 1


async def test_a_survey_that_broke_off_goes_on_with_what_is_missing(tmp_path: Path) -> None:
    identifiers = [f"analog-input,{number}" for number in range(OBJECTS_PER_STEP + 20)]
    browser = FakeBrowser(objects_of={5: identifiers}, fails_after=OBJECTS_PER_STEP + 10)
    survey = Survey({"5": FoundDevice(device(5))})
    await read_devices(browser, survey, lambda: keep(survey, tmp_path), unheard, ManualClock())
    assert [one.trouble for one in survey.devices.values()] == ["no answer"]
    assert any("goes on from here" in line for line in device_lines(survey, 0))

    again = kept(tmp_path)
    (found,) = again.devices.values()
    assert len(found.objects) == OBJECTS_PER_STEP
    assert [one.done for one in again.devices.values()] == [False]
    second = FakeBrowser(objects_of={5: identifiers})
    await read_devices(second, again, lambda: keep(again, tmp_path), unheard, ManualClock())
    assert second.asked == identifiers[OBJECTS_PER_STEP:]
    assert found.done
    assert found.trouble == ""


async def test_one_device_that_fails_does_not_stop_the_next() -> None:
    survey = Survey({"1": FoundDevice(device(1)), "2": FoundDevice(device(2))})
    browser = FakeBrowser(objects_of={1: ["analog-input,1"], 2: []}, fails_after=2)
    await read_devices(browser, survey, lambda: None, unheard, ManualClock())
    assert [one.trouble for one in survey.devices.values()] == ["no answer", ""]


def test_what_is_kept_comes_back_as_it_was(tmp_path: Path) -> None:
    survey = Survey(
        {
            "5@a": FoundDevice(
                device(5),
                2,
                {"object-name": "D5"},
                ["analog-input,1"],
                "whole",
                {"analog-input,1": facts("analog-input,1")},
            )
        },
        {"h:502/3": FoundUnit("h:502", 3, True, "answers", {"holding": {100: 441}}, {"holding": "0-200"})},
    )
    keep(survey, tmp_path)
    assert kept(tmp_path) == survey
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("content", [b"", b"{", b'{"schema": 99}', b'{"schema": 1, "devices": {"x": {}}, "units": {}}'])
def test_a_damaged_file_is_named_with_what_to_do(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(StartRefused, match=r"survey\.json cannot be read .* --out, or add --fresh"):
        kept(tmp_path)


def test_a_survey_of_given_addresses_sends_no_broadcast() -> None:
    assert Order(hosts=("192.0.2.1:47808",)).broadcasts == ()
    assert Order(modbus=(("192.0.2.1", 502),)).bacnet is False
    assert Order(modbus=(("192.0.2.1", 502),), ranges=((1, 2),)).broadcasts == ((1, 2),)
    assert Order().broadcasts == (EVERYBODY,)


def test_units_that_are_not_there_are_told_in_one_line() -> None:
    units = [
        FoundUnit("h:502", number, number == 3, f"no answer from unit {number}" if number != 3 else "answers")
        for number in range(1, 9)
    ]
    lines = list(unit_lines(Survey({}, {one.key: one for one in units})))
    assert len(lines) == 2
    assert "7 unit(s)" in lines[1]
    assert "1-2, 4-8" in lines[1]


def test_numbers_are_drawn_together_in_runs() -> None:
    assert spans([7, 1, 2, 3, 9, 10]) == "1-3, 7, 9-10"
    assert spans([]) == ""
