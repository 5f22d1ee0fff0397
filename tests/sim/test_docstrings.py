"""Every argument of the simulator's public functions stands in a docstring with its unit, and each has an example."""

import importlib
import inspect
import re

import pytest

MODULES = ["air", "plant", "rig", "room", "seeds", "sensors", "sound", "specimens", "thermal"]


def public_functions():
    """(name, arguments, docstring that must tell their units) of functions, methods and constructors."""
    for module_name in MODULES:
        module = importlib.import_module(f"sim.{module_name}")
        for name, thing in vars(module).items():
            if name.startswith("_") or getattr(thing, "__module__", None) != module.__name__:
                continue
            if inspect.isfunction(inspect.unwrap(thing)):
                yield f"{module_name}.{name}", arguments(thing), thing.__doc__ or ""
            if inspect.isclass(thing) and not hasattr(thing, "__dataclass_fields__"):
                yield f"{module_name}.{name}", arguments(thing), thing.__doc__ or ""
                for method, function in inspect.getmembers(thing, inspect.isfunction):
                    if not method.startswith("_"):
                        yield f"{module_name}.{name}.{method}", arguments(function), function.__doc__ or ""


def arguments(function):
    return [name for name in inspect.signature(function).parameters if name != "self"]


FUNCTIONS = {name: (given, text) for name, given, text in public_functions()}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_arguments_have_units_and_there_is_an_example(name):
    given, text = FUNCTIONS[name]
    for argument in given:
        assert re.search(rf"^ *{argument}: .*\[[^\]]+\]", text, re.MULTILINE), f"{argument} has no unit"
    assert ">>>" in text


def test_the_functions_were_found():
    assert {"thermal.fins", "thermal.TwoNodes.step", "plant.Plant.set", "specimens.load_specimens"} <= FUNCTIONS.keys()
