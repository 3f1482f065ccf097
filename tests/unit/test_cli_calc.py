"""``plantview calc``: what a technician types, and what comes back."""

from __future__ import annotations

import inspect
import signal

import pytest

from plantview.cli import main
from plantview.cli_calc import answer, formulas, inputs_of
from plantview.errors import OutsideSourceRange, StartRefused

LOAD = ["flow=1000gpm", "supply=44degF", "return=54degF"]


def test_a_cooling_load_in_the_units_of_the_gauges() -> None:
    lines = answer("cooling_load", LOAD)
    assert "= cooling_load           1470.48 kW   418.124 tons" in lines
    assert "  flow                   63.0902 L/s   1000 gpm" in lines
    assert "  fluid                  water" in lines, "what was not given is said too"
    assert any(line.startswith("Source: ") for line in lines)


@pytest.mark.parametrize(("name", "given", "expected"), [
    ("cooling_load", ["flow=63.0902 L/s", "supply=6.66667degC", "return=12.22222degC"], "418.12"),
    ("cooling_load", [*LOAD, "fluid=MEG 30 %"], "38"),
    ("saturation", ["pressure=132.7psia", "refrigerant=R-134a"], "97.02"),
    ("saturation", ["pressure=132.7psia", "refrigerant=R-513A", "bubble=yes"], "93.49"),
    ("water_delta_t", ["hot=54degF", "cold=44degF"], "5.55556 K   10 °F"),
    ("evaporation_rule", ["flow=3000gpm", "range=10degF"], "30 gpm"),
    ("barrel_flow", ["drop=12.8ftH2O", "design_flow=2400gpm", "design_drop=20ftH2O"], "1920 gpm"),
    ("mixed_temperature", ["first_l_s=1000gpm", "first_c=44degF", "second_l_s=300gpm", "second_c=54degF"], "46.3077 °F"),
    ("standard_pressure", ["altitude=5280ft"], "psia"),
    ("kw_per_ton", ["power=600kW", "load=1000ton"], "0.6 kW/ton"),
    ("cop_of_kw_per_ton", ["efficiency=0.6kW/ton"], "5.86142"),
    ("iplv", ["full=0.6", "three_quarters=0.49", "half=0.38", "quarter=0.42"], "0.42667 kW/ton"),
    ("merkel_number", ["entering=95degF", "leaving=85degF", "wet_bulb=78degF", "water_to_air=1.2"], "1.188"),
    ("rule_of_24", ["flow=2400", "difference=10"], "1000 tons"),
    ("saturation_at_altitude", ["gauge=12.945psig", "altitude=5280ft", "refrigerant=R-1233zd(E)"], "91.64"),
    ("valve_cv", ["flow=500gpm", "drop=1psi"], "500 gpm"),
    ("energy", ["hours=0,0.1,0.2h", "powers=100,200,100kW"], "30 kWh"),
    ("energy", ["hours=0,1,2h", "powers=100kW,200kW,300kW", "gap_max=1h"], "400 kWh"),
    ("run_hours", ["hours=0,0.1,0.2,0.3h", "running=1,1,0,0"], "0.2 h"),
    ("starts", ["running=0,1,1,0,1"], "2"),
    ("average", ["energies=60,40kWh", "coolings=100,25"], "0.8 kW/ton"),
    ("weighted_average", ["values=6,14", "weights=30,10"], "8"),
    ("register_energy", ["readings=990,998,3,13kWh", "register=1000kWh", "step_max=20kWh"], "23 kWh"),
    ("blended_temperature", ["flows=100,50gpm", "temperatures=44,54degF"], "47.3333 °F"),
    ("chi2_limit", ["degrees_of_freedom=4"], "9.48773"),
    ("npsh_available", ["station=14.696psia", "static=5ft", "loss=4ft", "water=85degF"], "33.65"),
])  # fmt: skip
def test_formulas_take_units_and_answer_in_both_systems(name: str, given: list[str], expected: str) -> None:
    result = next(line for line in answer(name, given) if line.startswith("= "))
    assert expected in result


@pytest.mark.parametrize(("name", "given", "said"), [
    ("coolin_load", [], "did you mean cooling_load"),
    ("cooling_load", ["flow=1000", "supply=44degF", "return=54degF"], "flow=1000: with its unit, 1L/s or 1gpm"),
    ("cooling_load", ["flow=1000psi", "supply=44degF", "return=54degF"], "'psi' is no unit of flow"),
    ("cooling_load", ["flow=1000gpm", "supply=44degF"], "also needs return=1degC or 1degF"),
    ("cooling_load", [*LOAD, "flow=3gpm"], "flow is given twice"),
    ("cooling_load", ["flwo=1000gpm"], "did you mean flow=…"),
    ("cooling_load", ["flow"], "'flow' is no input"),
    ("cooling_load", ["flow=many"], "not a number"),
    ("saturation", ["pressure=118psig", "refrigerant=R-134a"], "plantview calc absolute gauge=118psig"),
    ("saturation", ["pressure=118psia", "refrigerant=R-134a", "bubble=maybe"], "write yes or no"),
    ("energy", ["hours=0,1,2", "powers=1,2,3kW"], "hours=0,1,2: with the unit behind the last number, 1,2,3h"),
    ("energy", ["hours=0,x,2h", "powers=1,2,3kW"], "not a number"),
    ("starts", ["running=0,1,h"], "not a number"),
    ("merkel_number", ["water_to_air=1.2kg"], "write the number alone"),
])  # fmt: skip
def test_a_mistake_is_named_with_what_would_do(name: str, given: list[str], said: str) -> None:
    with pytest.raises(StartRefused) as caught:
        answer(name, given)
    assert said in str(caught.value)


def test_the_rule_of_the_trade_stands_beside_the_exact_load_of_water() -> None:
    """Check values: 418.124 tons exact, 416.667 by gpm × °F / 24, 0.349 % lower; glycol has no such rule."""
    beside = [line for line in answer("cooling_load", LOAD) if "gpm × °F / 24" in line]
    assert [line.split()[-5:] for line in beside] == [["kW", "416.667", "tons", "(-0.35", "%)"]]
    assert not any("/ 24" in line for line in answer("cooling_load", [*LOAD, "fluid=MEG 30 %"]))
    assert not any("%)" in line for line in answer("cooling_load", [LOAD[0], LOAD[1], "return=44degF"]))


def test_an_estimated_refrigerant_is_called_an_estimate() -> None:
    assert answer("saturation", ["pressure=20psia", "refrigerant=R-514A"])[-1].startswith("R-514A is an estimate")
    assert "estimate:" not in "".join(answer("saturation", ["pressure=20psia", "refrigerant=R-123"])[:-2])


def test_beyond_the_source_it_refuses_like_everything_else() -> None:
    with pytest.raises(OutsideSourceRange, match="water temperature"):
        answer("cooling_load", ["flow=1000gpm", "supply=44degF", "return=254degF"])
    with pytest.raises(OutsideSourceRange, match="R-999"):
        answer("saturation", ["pressure=118psia", "refrigerant=R-999"])


BY_HAND = """
cooling_load rule_of_24 heat_rejection water_heat density heat_capacity freezing kw_per_ton cop cop_of_kw_per_ton
eer_of_kw_per_ton iplv iplv_cop heat_balance heat_balance_tolerance open_drive_power saturation saturation_pressure
saturation_at_altitude absolute evaporator_approach condenser_approach subcooling superheat lift water_lift
log_mean_difference conductance wet_bulb standard_pressure tower_range tower_approach tower_effectiveness
variable_speed_approach merkel_number evaporation evaporation_rule blow_down cycles_of_concentration make_up
hydraulic_power wire_to_water affinity_flow affinity_head affinity_power barrel_flow valve_flow valve_cv
npsh_available decoupler_flow mixed_temperature blended_temperature coil_effectiveness exchanger_effectiveness energy
run_hours starts load average weighted_average register_energy
"""


def test_whatever_a_screen_or_a_report_says_can_be_worked_out_by_hand() -> None:
    assert set(BY_HAND.split()) <= set(formulas())


def test_without_a_name_all_formulas_are_listed_with_what_they_give() -> None:
    listed = answer("", [])
    for name in formulas():
        assert any(line.startswith(f"  {name} ") for line in listed), name
    assert len(formulas()) >= 60


@pytest.mark.parametrize("name", formulas())
def test_every_formula_says_what_it_needs_and_where_it_is_from(name: str) -> None:
    lines = answer(name, [])
    for each in inputs_of(formulas()[name]):
        assert any(line.startswith(f"  {each.key} ") for line in lines), each.key
    assert any(line.startswith("Source: ") for line in lines)


@pytest.mark.parametrize("name", formulas())
def test_no_two_inputs_of_a_formula_have_one_name(name: str) -> None:
    keys = [each.key for each in inputs_of(formulas()[name])]
    assert len(set(keys)) == len(keys) == len(inspect.signature(formulas()[name]).parameters)


def test_as_a_command_it_ends_with_0_and_a_refusal_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calc", "cooling_load", *LOAD]) == 0
    assert "418.124 tons" in capsys.readouterr().out
    assert main(["calc", "cooling_load", "flow=3"]) == 2
    assert "with its unit" in capsys.readouterr().err
    assert main(["calc", "saturation", "pressure=1psia", "refrigerant=R-134a"]) == 1
    assert "outside" in capsys.readouterr().err


def test_a_program_that_calls_the_command_keeps_its_own_signals() -> None:
    """With the default act a later write to a closed pipe would end that program without a word."""
    before = signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    try:
        assert main(["calc", "cooling_load", *LOAD]) == 0
        assert signal.getsignal(signal.SIGPIPE) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGPIPE, before)
