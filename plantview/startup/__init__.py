"""Start-up day: the sequence of events, proofs awaited, captures, the checkout sheet, times from order to proof."""

from __future__ import annotations

from plantview.startup.captures import Captures
from plantview.startup.changes import Changes
from plantview.startup.checkout import Checkout
from plantview.startup.event import Event
from plantview.startup.fastgroup import FastGroup
from plantview.startup.marks import marker
from plantview.startup.memory import Memory
from plantview.startup.proofs import Proof, proofs
from plantview.startup.starts import Starts
from plantview.startup.waiting import Waiting

__all__ = [
    "Captures",
    "Changes",
    "Checkout",
    "Event",
    "FastGroup",
    "Memory",
    "Proof",
    "Starts",
    "Waiting",
    "marker",
    "proofs",
]
