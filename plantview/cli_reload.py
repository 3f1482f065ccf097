"""``plantview reload``: a changed plant description into a running plant, whole or not at all."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from plantview.alarms import is_warning
from plantview.cli_check import problems_of
from plantview.config.bundled import data_folder, plant_folder
from plantview.config.in_use import copy_in_use, forget, forget_older, same
from plantview.config.order import Order
from plantview.errors import ConfigError, Problem, StartRefused
from plantview.keeper import ask_reload
from plantview.model.plant import Plant


def reload(args: argparse.Namespace) -> list[str]:
    """Check, ask the running plant to take it over, and return what came of it; StartRefused with every problem."""
    folder = plant_folder(args.plant_dir)
    try:
        plant = _whole(folder)
    except ConfigError as error:
        told = f"{len(error.problems)} problem(s); what runs goes on as it was"
        raise StartRefused(f"{error}\n{told}") from None
    data = data_folder(args.data, folder).resolve()
    refused = ask_reload(data)
    if refused:
        raise StartRefused("\n".join([*refused, f"{plant.name} goes on with the description it had"]))
    return [f"{plant.name} is watched as {folder} describes it now; alarms kept their states"]


class Renewing:
    """Makes the orders of a reload: a new copy of the plant folder, found right as a whole, in place of the old one."""

    def __init__(
        self, folder: Path, orders: Sequence[Order], addresses: Callable[[Plant, Mapping[str, str]], Mapping[str, str]]
    ) -> None:
        self._folder, self._addresses = folder, addresses
        self._orders = self._before = orders

    def orders(self) -> Sequence[Order]:
        """Return the new orders, none if nothing has changed; ConfigError with every problem."""
        self._before = self._orders
        present = self._orders[0]
        copy = copy_in_use(self._folder, Path(present.data))
        try:
            plant = _whole(copy)
            addresses = self._addresses(plant, present.addresses)
        except ConfigError as error:
            forget(copy)
            raise ConfigError(
                self._folder, [_at_home(problem, copy, self._folder) for problem in error.problems]
            ) from None
        except StartRefused:
            forget(copy)
            raise
        if same(copy, Path(present.plant)):
            forget(copy)
            return ()
        self._orders = [replace(order, plant=str(copy), addresses=addresses) for order in self._orders]
        return self._orders

    def settled(self, problems: Sequence[str]) -> None:
        """Keep the new copy and the one before it; or, if there were problems, the old one alone."""
        if not problems:
            forget_older(Path(self._orders[0].plant))
        elif self._orders is not self._before:
            forget(Path(self._orders[0].plant))
            self._orders = self._before


def _at_home(problem: Problem, copy: Path, folder: Path) -> Problem:
    """Return a problem of the copy with the name of the file that a person edits."""
    return replace(problem, file=problem.file.replace(str(copy), str(folder)))


def _whole(folder: Path) -> Plant:
    plant, problems = problems_of(folder)
    errors = [problem for problem in problems if not is_warning(problem)]
    if plant is None or errors:
        raise ConfigError(folder, errors)
    return plant
