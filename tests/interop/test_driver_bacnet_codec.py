"""Our ReadPropertyMultiple octets against bacpypes3's own encoder, the independent one here."""

from __future__ import annotations

import math
import random

import pytest
from bacpypes3.apdu import ErrorType, ReadPropertyMultipleACK, ReadPropertyMultipleRequest
from bacpypes3.basetypes import (
    BinaryPV,
    EngineeringUnits,
    ErrorCode,
    PropertyIdentifier,
    PropertyReference,
    ReadAccessResult,
    ReadAccessResultElement,
    ReadAccessResultElementChoice,
    ReadAccessSpecification,
    Reliability,
    StatusFlags,
)
from bacpypes3.constructeddata import Any
from bacpypes3.primitivedata import (
    Boolean,
    CharacterString,
    Double,
    Enumerated,
    Integer,
    Null,
    ObjectIdentifier,
    ObjectType,
    Real,
    Unsigned,
)

from plantview.config.addresses import BACNET_TYPES
from plantview.drivers import bacnet_codec as codec
from plantview.drivers.bacnet_codec import Refusal, decode_read_multiple, encode_read_multiple, object_key
from plantview.drivers.bacnet_tags import Malformed
from plantview.drivers.bacnet_words import error_word, reliability_word
from plantview.drivers.exchange import NoValue
from plantview.model.point import BacnetAddress

NAMES = ("present-value", "status-flags")


def _their_octets(objects: list[tuple[str, list[tuple[str, object]]]]) -> bytes:
    """Return an answer as bacpypes3 encodes it: per object its properties with a typed value or an ErrorType."""
    results = []
    for name, properties in objects:
        elements = []
        for prop, value in properties:
            choice = (
                ReadAccessResultElementChoice(propertyAccessError=value)
                if isinstance(value, ErrorType)
                else ReadAccessResultElementChoice(propertyValue=Any(value))
            )
            elements.append(ReadAccessResultElement(propertyIdentifier=PropertyIdentifier(prop), readResult=choice))
        results.append(ReadAccessResult(objectIdentifier=ObjectIdentifier(name), listOfResults=elements))
    return bytes(ReadPropertyMultipleACK(listOfReadAccessResults=results).encode().pduData)


def _key(name: str) -> int:
    kind, _, instance = name.partition(",")
    return object_key(BacnetAddress(kind, int(instance)))


def test_the_request_is_octet_for_octet_what_bacpypes3_encodes() -> None:
    names = ["analog-input,1", "binary-value,70000", "multi-state-value,4194302", "large-analog-value,3"]
    theirs = ReadPropertyMultipleRequest(
        listOfReadAccessSpecs=[
            ReadAccessSpecification(
                objectIdentifier=ObjectIdentifier(name),
                listOfPropertyReferences=[
                    PropertyReference(propertyIdentifier=PropertyIdentifier(one)) for one in NAMES
                ],
            )
            for name in names
        ]
    ).encode()
    assert encode_read_multiple([_key(name) for name in names]) == bytes(theirs.pduData)


def test_object_types_and_properties_have_the_numbers_that_bacpypes3_gives_them() -> None:
    assert {name: int(ObjectType(name)) for name in codec.OBJECTS} == codec.OBJECTS
    assert set(BACNET_TYPES) <= set(codec.OBJECTS)
    assert {kind for kind in codec.OBJECTS.values() if kind != codec.OBJECTS["device"]} == set(
        codec.PRESENT_VALUE_TYPES
    )
    listed = {
        "present-value": codec.PRESENT_VALUE,
        "status-flags": codec.STATUS_FLAGS,
        "reliability": codec.RELIABILITY,
        "max-apdu-length-accepted": codec.MAX_APDU,
        "segmentation-supported": codec.SEGMENTATION,
    }
    assert {name: int(PropertyIdentifier(name)) for name in listed} == listed


@pytest.mark.parametrize(
    ("name", "value", "number"),
    [
        ("analog-input,1", Real(44.5), 44.5),
        ("analog-value,2", Double(1e-30), 1e-30),
        ("large-analog-value,2", Double(123456.789), 123456.789),
        ("binary-input,3", BinaryPV("active"), 1.0),
        ("multi-state-input,4", Unsigned(70_000), 70_000.0),
        ("accumulator,4", Unsigned(2**31), float(2**31)),
        ("integer-value,5", Integer(-7), -7.0),
        ("integer-value,5", Integer(-70_000), -70_000.0),
        ("positive-integer-value,6", Unsigned(0), 0.0),
    ],
    ids=repr,
)
def test_each_type_of_present_value_comes_back_as_its_number(name: str, value: object, number: float) -> None:
    octets = _their_octets([(name, [("present-value", value), ("status-flags", StatusFlags([0, 1, 0, 1]))])])
    items = decode_read_multiple(octets, [_key(name)])
    assert items == {(_key(name), codec.PRESENT_VALUE): number, (_key(name), codec.STATUS_FLAGS): 5.0}


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (Unsigned(7), "an Unsigned"),
        (Null(()), "Null"),
        (CharacterString("hi"), "a Character String"),
        (Boolean(True), "a Boolean"),
        (Enumerated(3), "an Enumerated"),
        (EngineeringUnits("kilowatts"), "an Enumerated"),
        (CharacterString("x" * 300), "a Character String"),
    ],
    ids=repr,
)
def test_an_odd_type_costs_its_own_point_and_no_other(value: object, word: str) -> None:
    flags = StatusFlags([0, 0, 0, 0])
    octets = _their_octets(
        [
            ("analog-input,1", [("present-value", Real(1.5)), ("status-flags", flags)]),
            ("analog-input,2", [("present-value", value), ("status-flags", flags)]),
            ("analog-input,3", [("present-value", Real(3.5)), ("status-flags", flags)]),
        ]
    )
    items = decode_read_multiple(octets, [1, 2, 3])
    assert (items[1, 85], items[3, 85]) == (1.5, 3.5)
    assert items[2, 85] == NoValue(f"the device answers with {word} where a Real or a Double belongs")


def test_a_refused_property_carries_the_device_s_own_word() -> None:
    octets = _their_octets(
        [("analog-input,1", [("present-value", ErrorType(errorClass="object", errorCode="unknown-object"))])]
    )
    assert decode_read_multiple(octets, [1]) == {
        (1, 85): Refusal("refused by the device: unknown-object", "unknown-object")
    }


def test_words_are_those_of_the_standard_s_enumerations() -> None:
    assert (error_word(int(ErrorCode("value-out-of-range"))), error_word(9_999)) == ("value-out-of-range", "error 9999")
    assert (reliability_word(int(Reliability("open-loop"))), reliability_word(200)) == ("open-loop", "reliability 200")


def _usual(count: int) -> bytes:
    return _their_octets(
        [
            (
                f"analog-input,{number}",
                [("present-value", Real(number / 3)), ("status-flags", StatusFlags([0, 0, 0, 0]))],
            )
            for number in range(1, count + 1)
        ]
    )


def test_the_quick_path_and_the_general_one_agree_on_ten_thousand_mutated_answers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Mutations: one octet changed, dropped or doubled, or the answer cut; both paths give the same items or both refuse."""
    whole, keys, chance = _usual(4), [1, 2, 3, 4], random.Random(20_261)
    agreed = refused = 0
    for _ in range(10_000):
        octets = _mutated(whole, chance)
        quick = _outcome(octets, keys)
        with monkeypatch.context() as patch:
            patch.setattr(codec, "_usual_objects", lambda *_: 0)
            general = _outcome(octets, keys)
        assert quick == general
        agreed, refused = agreed + (quick is not None), refused + (quick is None)
    assert agreed > 1_000
    assert refused > 1_000


def _mutated(octets: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(octets))
    return chance.choice(
        [
            octets[:at] + bytes((chance.randrange(256),)) + octets[at + 1 :],
            octets[:at] + octets[at + 1 :],
            octets[: at + 1] + octets[at:],
            octets[:at],
        ]
    )


def _outcome(octets: bytes, keys: list[int]) -> dict[tuple[int, int], object] | None:
    try:
        items = decode_read_multiple(octets, keys)
    except Malformed:
        return None
    return {at: "NaN" if isinstance(one, float) and math.isnan(one) else one for at, one in items.items()}


def test_every_cut_of_a_good_answer_is_malformed_or_leaves_objects_out_and_never_invents_a_value() -> None:
    whole, keys = _usual(3), [1, 2, 3]
    complete = decode_read_multiple(whole, keys)
    for length in range(len(whole)):
        found = _outcome(whole[:length], keys)
        assert found is None or (found.items() <= complete.items() and len(found) < len(complete))


def test_random_octets_never_do_anything_but_decode_or_be_malformed() -> None:
    chance = random.Random(7)
    for _ in range(5_000):
        assert _outcome(chance.randbytes(chance.randrange(60)), [1, 2]) in (None, {})
