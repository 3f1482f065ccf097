"""Alarms that a crew can live with: rules, states, delays, shelving, first-out, journal."""

from __future__ import annotations

from plantview.alarms.acts import Refusal
from plantview.alarms.engine import AlarmEngine
from plantview.alarms.journal import Entry, Search
from plantview.alarms.rules import Rule, compile_rules, is_warning
from plantview.alarms.store import AlarmStore

__all__ = ["AlarmEngine", "AlarmStore", "Entry", "Refusal", "Rule", "Search", "compile_rules", "is_warning"]
