"""What the words and abbreviations in point names mean; common practice of the trade, no source.

A name is cut at punctuation, digits and capital letters; a run of letters that is no known spelling
is cut into known ones (``runhrs``: run, hours).
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from typing import Final

_MEANINGS: Final = """
chiller: chiller chlr chl chlrs ch chillers
tower: tower twr ct towers clgtwr
fan: fan fn
basin: basin sump bsn
pump: pump pmp pumps
valve: valve vlv
header: header hdr loop main manifold common
exchanger: exchanger hx phx
ahu: ahu fcu handling handler
weather: outdoor outside ambient weather wx oa
machine_room: machinery
machine: machine mach
room: room rm
boiler: boiler blr furnace
hot: hot hw hhw heating htg
domestic: domestic dhw dcw potable
zone: zone zn vav space conference lobby office corridor floor
other: lighting lights fire elevator elev garage parking security door
chw: chw chilled chws chwr chwst chwrt chlw cold
cw: cw cdw cndw condw cnw cws cwr
evap: evap evaporator evp clr cooler
cond: cond condenser cnd cds cdr
water: water wtr
air: air
refrigerant: refrigerant ref refrig gas
oil: oil
supply: supply sup sply spl
return: return ret rtn
leaving: leaving lvg leav out outlet exiting
entering: entering ent entg inlet inl
discharge: discharge disch dis dsch dchg
suction: suction suct suc
liquid: liquid liq
primary: primary pri prim
secondary: secondary sec scndry distribution
temp: temp temperature tmp tmpr t
pressure: pressure press prs psi p
diff: diff differential delta dp pd dpt
drop: drop
flow: flow flo flw gpm
power: power kw watts
energy: energy kwh meter
current: current amps amp rla fla
percent: percent pct
speed: speed spd hz rpm frequency freq
vfd: vfd vsd drive asd inverter
level: level lvl lev
vane: vane igv vanes pgv
status: status sts stat state running run proof prf
feedback: feedback fbk fb actual act
command: command cmd ss startstop start stop
enable: enable ena enabled en
setpoint: setpoint setpt sp stpt spt
active: active
reference: reference
alarm: alarm alm trouble
fault: fault flt trip tripped failure fail
general: general
code: code
limit: limit lim lmt
demand: demand dmd
mode: mode
local: local loc
remote: remote rem
hand: hand hoa
off: off
auto: auto
on: on
hours: hours hrs hour oprhrs
starts: starts
restart: restart recycle anti
timer: timer time left
vibration: vibration vib
humidity: humidity hum rh
wet: wet wetbulb wb
dry: dry drybulb db
bulb: bulb
barometric: barometric baro
conductivity: conductivity tds
makeup: makeup mkup make up
heater: heater htr
low: low lo
leak: leak detector detect leakage
ppm: ppm
emergency: emergency estop emerg
ventilation: ventilation vent exhaust
isolation: isolation iso
bypass: bypass byp bypas
position: position pos posn
switch: switch sw
saturation: saturation saturated sat
motor: motor mtr
rated: rated
load: load
guide: guide inlet_guide
electrical: electrical elec
input: input
number: no number nr num
coil: coil cooling clg
"""
"""A meaning, and behind the colon its spellings."""
SPELLINGS: Final[dict[str, str]] = {
    spelling: meaning.strip()
    for line in _MEANINGS.strip().splitlines()
    for meaning, _, spellings in (line.partition(":"),)
    for spelling in spellings.split()
}
_WATER: Final = re.compile(
    r"(?P<media>chw|chlw|cdw|cndw|cw|hw)(?:(?P<set>sp|stp|stpt)|(?P<way>s|r)?(?P<what>t|tmp|temp|p|prs|press|dp|f|flo|flow|fs|sp|stp|stpt)?)"
)
_LEAVING: Final = re.compile(r"(?P<way>l|e|lvg|ent)(?:(?P<media>chw|cdw|cndw|cw|evap|cond)w?t|wt)")
_PUMP: Final = re.compile(r"(?P<tier>p|s|pri|sec)?(?P<media>chw|ch|cdw|cnd|cndw|cw|hw)p")
_AIR: Final = {
    "oat": ("weather", "air", "temp"),
    "oadb": ("weather", "dry", "temp"),
    "oarh": ("weather", "humidity"),
    "oah": ("weather", "humidity"),
    "oawb": ("weather", "wet"),
    "dat": ("discharge", "air", "temp"),
    "rat": ("return", "air", "temp"),
    "mat": ("entering", "air", "temp"),
}
_OF_WATER: Final = {"chw": "chw", "chlw": "chw", "ch": "chw", "evap": "chw", "hw": "hot"}
_WAYS: Final = {"s": "supply", "r": "return", "l": "leaving", "lvg": "leaving", "e": "entering", "ent": "entering"}
_WHAT: Final = {
    "t": ("temp",),
    "tmp": ("temp",),
    "temp": ("temp",),
    "p": ("pressure",),
    "prs": ("pressure",),
    "press": ("pressure",),
    "dp": ("diff", "pressure"),
    "f": ("flow",),
    "flo": ("flow",),
    "flow": ("flow",),
    "fs": ("flow", "switch"),
    "sp": ("setpoint",),
    "stp": ("setpoint",),
    "stpt": ("setpoint",),
}
_PIECE_MIN: Final = 2
_CAPITALS: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_PARTS: Final = re.compile(r"[A-Za-z]+|\d+")


@dataclass(frozen=True, slots=True)
class Word:
    """A part of a name: what it may mean, or that nobody knows."""

    text: str
    meanings: tuple[str, ...]
    number: int | None = None


def words(text: str) -> list[Word]:
    """Return the parts of a name or description in order."""
    found = []
    for part in _PARTS.findall(text):
        if part.isdigit():
            found.append(Word(part, (), int(part)))
        elif whole := compound(part.lower()):
            found.append(Word(part.lower(), whole))
        else:
            found += [Word(piece.lower(), meanings(piece.lower())) for piece in _CAPITALS.split(part)]
    return found


@functools.cache
def meanings(spelling: str) -> tuple[str, ...]:
    """Return what a run of letters means; empty if nobody knows."""
    if whole := compound(spelling):
        return whole
    if spelling in SPELLINGS:
        return (SPELLINGS[spelling],)
    return _pieces(spelling) or ()


def compound(spelling: str) -> tuple[str, ...]:
    """Return what an abbreviation of several words means, such as ``chwst`` or ``pchwp``; empty if it is none."""
    if spelling in _AIR:
        return _AIR[spelling]
    if pump := _PUMP.fullmatch(spelling):
        tier = {"p": ("primary",), "pri": ("primary",), "s": ("secondary",), "sec": ("secondary",)}
        return (*tier.get(pump["tier"] or "", ()), _OF_WATER.get(pump["media"], "cw"), "pump")
    if water := _WATER.fullmatch(spelling):
        if water["set"]:
            return (_OF_WATER.get(water["media"], "cw"), "setpoint")
        ways = (_WAYS[water["way"]],) if water["way"] else ()
        return (_OF_WATER.get(water["media"], "cw"), *ways, *_WHAT.get(water["what"] or "", ()))
    if leaving := _LEAVING.fullmatch(spelling):
        media = (_OF_WATER.get(leaving["media"], "cw"),) if leaving["media"] else ("water",)
        return (_WAYS[leaving["way"]], *media, "temp")
    return ()


def _pieces(spelling: str) -> tuple[str, ...] | None:
    """Return the meanings of known spellings that together make up this one, as few of them as possible."""
    best: list[tuple[str, ...] | None] = [(), *[None] * len(spelling)]
    for end in range(1, len(spelling) + 1):
        for start in range(end - _PIECE_MIN, -1, -1):
            before, meaning = best[start], SPELLINGS.get(spelling[start:end])
            if before is not None and meaning:
                longer = (*before, meaning)
                if best[end] is None or len(longer) < len(best[end] or ()):
                    best[end] = longer
    return best[-1]
