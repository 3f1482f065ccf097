"""What the help page says, as data: pages, first steps, pipes, keys, numbers, cautions. Trade words, our own sentences."""

from __future__ import annotations

from typing import Final

from plantview.web.routes import PHONE, WALL

PAGE_WORDS: Final = {
    "/": "The whole plant: five headline numbers, the flow diagram with live values, the alarms. A machine opens to its own page, a value to its last hour.",
    "/plant/loop": "One water loop, larger.",
    "/plant/machine": "One machine with its pumps and valves. The same as Equipment.",
    "/alarms": "What is in alarm and who has seen it. Acknowledge, shelve with a reason and an end, take out of service.",
    "/alarms/record": "One alarm: cause, consequence, what to do, the trend around it, what happened to it.",
    "/alarms/journal": "Everything that happened to alarms, to search and to export.",
    "/alarms/figures": "How many alarms call and which call most, against published goals; who is told by message.",
    "/trends": "Up to twelve values over any stretch of time, with a table and an export. The address can be passed on.",
    "/points": "Every value with quality, reason, age, device and address. The place to look when a number is doubted.",
    "/equipment": "One machine: live and worked-out values, what it is used to, run hours, starts, design data, performance map.",
    "/performance": "kW/ton with its make-up, cooling, energy, heat balance, and how far the plant is from its own best.",
    "/startup": "Start-up day: which proof each machine waits for, the sequence of events, a fast group of values every second.",
    "/startup/checkout": "The checkout sheet: each point seen changing, raw and scaled, against a reading taken by hand, with initials.",
    "/startup/captures": "Everything as it was polled from five minutes before each trip to two minutes after it.",
    "/startup/report": "From enable to stable supply per start, and from order to proof per machine.",
    "/past": "The diagram at any past moment, to step, to play and to jump to an alarm. Saves one file with a whole day to mail.",
    "/past/loop": "One water loop at a past moment.",
    "/past/machine": "One machine at a past moment.",
    "/past/startup": "Start-up day as it was: sequence of events, captures, checkout sheet and times of a past day or of a package.",
    "/findings": "Sensors that contradict the heat and flow balances, with the correction that would close them. A person decides.",
    "/findings/offsets": "Water temperature sensors compared with each other while a machine stands, and with a thermometer.",
    "/overrides": "What is commanded by hand and until when, what others hold, work notices. Commanding is off unless the plant allows it.",
    "/devices": "Every controller and meter: does it answer, how fast, its last exchanges; what is kept of history.",
    WALL: "For a screen on the wall that nobody touches. Day and night theme by the clock.",
    PHONE: "For a phone or a slow line: numbers, states and alarms, about a kilobyte every five seconds.",
}
"""Path of a page -> what it is for."""

FIRST_STEPS: Final = (
    (
        "Start-up day, beside the machine",
        (
            "Devices: does every controller answer? Open the one that does not; its last exchanges say why.",
            "Points: write stale or bad into the box. Whatever is left there needs a look before anything starts.",
            "Checkout sheet: press Check at a point, enter what your own instrument reads and your initials.",
            "Start-up: choose the fast group, set the zero at the enable, and watch which proof is awaited and for how long.",
            "Put a mark (button Mark or key M) at whatever you do by hand; it stands on every trend.",
            "Report: times from enable to flow, to running, to stable supply. Print it, or save it as a PDF.",
        ),
    ),
    (
        "At night, far away",
        (
            "Open /m on the phone: alarms stand first, then the headline numbers, then each machine.",
            "LIVE with the plant's own time means that the numbers are fresh. A grey page with NO ANSWER or NO DATA means that they are old.",
            "Alarms lists cause and action; its record shows the trend around it. Acknowledging says that you have seen it, nothing more.",
            "Past shows the minutes before the alarm. Save the package there and mail it to whoever must know.",
            "A terminal will do: plantview values, plantview alarms and plantview devices, each with --watch.",
        ),
    ),
    (
        "On the wall",
        (
            "Open /wall?distance=5 with the viewing distance in metres; it needs no mouse and no keyboard.",
            "The dot beside the clock beats with the data. A dot and a clock that stand still mean a picture that stands still.",
            "NO DATA SINCE in a dark band: do not trust what is drawn. The page comes back by itself.",
        ),
    ),
)
"""(occasion, steps in order)."""

PIPES: Final = (
    ("CHWS", "chilled water supply", "leaves the chiller towards the building", "chilled", "filled"),
    ("CHWR", "chilled water return", "comes back from the building to the chiller", "chilled", "hollow"),
    ("CWS", "condenser water supply", "leaves the tower towards the chiller", "condenser", "filled"),
    ("CWR", "condenser water return", "leaves the chiller towards the tower", "condenser", "hollow"),
)
"""(letters, words, where it runs, service for its colour, how it is drawn)."""

NUMBERS: Final = (
    ("kW/ton", "Electrical power over cooling. Its boundary stands below it: one chiller, or chillers with pumps and tower fans."),
    ("ΔT", "Return less supply. A low chilled water ΔT moves much water for little cooling."),
    ("Approach", "How near one temperature comes to another: tower approach is leaving water less wet bulb; evaporator and condenser approach are"
     " water against refrigerant."),
    ("% load, % RLA, % speed", "A percentage always says of what."),
    ("Heat balance", "Cooling plus input power against heat rejected. Near zero when meters and sensors agree; otherwise no kW/ton can be trusted."),
    ("IP or SI", "Each viewer chooses, with the button at the top. What the device itself reports stands in the detail of a value."),
    ("Times", "All times are the plant's own. The clock at the top names the zone."),
)  # fmt: skip
"""(word, what it means here)."""

KEYS: Final = (
    ("everywhere", (("Tab, Shift+Tab", "to the next control, and back"), ("Enter", "open a value or a machine"), ("Esc", "close, and return to where you were"),
                    ("M", "put a mark at this moment"))),
    ("in the alarm list", (("↑ ↓", "from row to row"), ("Enter", "the record"), ("A", "acknowledge"), ("S", "shelve"), ("R", "reset a latched alarm"))),
    ("on a trend", (("← →", "move the cursor"), ("Shift+← →", "move in time"), ("+ −", "zoom"), ("L", "to the present"), ("T", "as a table"),
                    ("C", "choose values"))),
)  # fmt: skip
"""(where, (keys, what they do))."""

CAUTIONS: Final = (
    "plantview watches. It protects nothing and stops nothing: the machine's own safeties do.",
    "A stopped machine on a screen is no isolated machine. Lock and tag at the disconnect, and try it, before work.",
    "A work notice blocks commands of this program only. No panel and no other program knows of it.",
    "The machine's manual, local codes and licensed practice come before anything that is said here.",
    "Refrigerant, high voltage and water treatment are work for those who are trained and licensed for it.",
    "A finding, a normal band and an expected value are arithmetic over sensors, and sensors can be wrong together.",
)
