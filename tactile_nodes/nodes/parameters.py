# SPDX-License-Identifier: Apache-2.0
"""Node parameters from the table in `interface.py`."""

from types import SimpleNamespace

from rcl_interfaces.msg import FloatingPointRange, IntegerRange, ParameterDescriptor
from rclpy.exceptions import InvalidParameterTypeException, InvalidParameterValueException
from rclpy.parameter import Parameter

from tactile_nodes.errors import DataError
from tactile_nodes.interface import PARAMETERS


def declare(node, kind):
    """Declare the parameters of a kind of node and return their values.

    A whole number given for a parameter with decimals is taken, at start and live.

    Returns
    -------
    SimpleNamespace
        An attribute per parameter, with `_` for `.` in its name.

    Raises
    ------
    DataError
        A value given at start has the wrong type or is out of range.
    """
    table = PARAMETERS[kind]
    values = {p.name.replace('.', '_'): _declare(node, p) for p in table}
    decimals = {p.name for p in table if isinstance(p.default, float)}
    node.add_pre_set_parameters_callback(
        lambda changes: [_with_decimals(change) if change.name in decimals else change
                         for change in changes])
    return SimpleNamespace(**values)


def _declare(node, p):
    default = list(p.default) if isinstance(p.default, tuple) else p.default
    where = f'parameter {p.name} of {node.get_fully_qualified_name()}'
    try:
        try:
            return node.declare_parameter(p.name, default, _descriptor(p)).value
        except InvalidParameterTypeException:
            given = _given(node, p.name)
            if not isinstance(default, float) or type(given) is not int:
                raise DataError('wrong type', where=where, found=given,
                                expected=f'one like {default!r}') from None
            return node.declare_parameter(p.name, float(given), _descriptor(p),
                                          ignore_override=True).value
    except InvalidParameterValueException:
        raise DataError('out of range', where=where, found=_given(node, p.name),
                        expected=f'{p.low:g} to {p.high:g} {p.unit}'.rstrip()) from None


def _given(node, name):
    """Value that was given at start, of whatever type."""
    value = node.declare_parameter(name, None, ParameterDescriptor(dynamic_typing=True)).value
    node.undeclare_parameter(name)
    return value


def _descriptor(p):
    descriptor = ParameterDescriptor(
        description=f'{p.about}, {p.unit}' if p.unit else p.about, read_only=p.read_only)
    if p.low is not None and isinstance(p.default, int):
        descriptor.integer_range = [
            IntegerRange(from_value=int(p.low), to_value=int(p.high), step=1)]
    elif p.low is not None:
        descriptor.floating_point_range = [
            FloatingPointRange(from_value=float(p.low), to_value=float(p.high), step=0.0)]
    return descriptor


def _with_decimals(change):
    if change.type_ is Parameter.Type.INTEGER:
        return Parameter(change.name, value=float(change.value))
    return change
