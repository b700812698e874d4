# SPDX-License-Identifier: Apache-2.0
"""Elastomer files: what the soft layer is made of and what is printed on it."""

from tactile_nodes.core.layer import gent_modulus
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError, FileError
from tactile_nodes.files.section import read_section


def read_elastomer(path):
    """Read an elastomer file.

    Keys: `name`, `kind` (reflective, reflective_markers, clear_markers), `thickness_mm`, either
    `modulus_kpa` or `shore_a`, `poissons_ratio`, and for a marked one `marker_pitch_mm` and
    `marker_diameter_mm`; optional `modulus_relative_sd`.

    Returns
    -------
    Elastomer
    """
    top = read_section(path)
    try:
        elastomer = take_elastomer(top)
    except DataError as error:
        raise FileError(str(error), where=str(top.path)) from None
    top.finish()
    return elastomer


def take_elastomer(top):
    """Elastomer from the keys of a Section, see `read_elastomer`."""
    kind = ElastomerKind(top.choice('kind', [k.value for k in ElastomerKind]))
    if top.has('modulus_kpa') == top.has('shore_a'):
        raise top.error('modulus_kpa', 'both' if top.has('shore_a') else 'neither',
                        'either modulus_kpa or shore_a')
    if top.has('modulus_kpa'):
        modulus = top.number('modulus_kpa', above=0, high=1e6) * 1e3
    else:
        modulus = gent_modulus(top.number('shore_a', low=1, high=95))
    marks = {}
    if kind.has_markers:
        marks = {'marker_pitch': top.number('marker_pitch_mm', above=0, high=100) * 1e-3,
                 'marker_diameter': top.number('marker_diameter_mm', above=0, high=100) * 1e-3}
    return Elastomer(
        name=top.text('name'), kind=kind,
        thickness=top.number('thickness_mm', above=0, high=20) * 1e-3,
        youngs_modulus=modulus, poissons_ratio=top.number('poissons_ratio', above=0, high=0.499),
        modulus_relative_sd=top.number('modulus_relative_sd', 0.1, above=0, high=1), **marks)


def elastomer_to_plain(elastomer):
    """Mapping that `take_elastomer` reads back."""
    plain = {'name': elastomer.name, 'kind': elastomer.kind.value,
             'thickness_mm': round(elastomer.thickness * 1e3, 6),
             'modulus_kpa': round(elastomer.youngs_modulus * 1e-3, 5),
             'poissons_ratio': elastomer.poissons_ratio,
             'modulus_relative_sd': elastomer.modulus_relative_sd}
    if elastomer.kind.has_markers:
        plain |= {'marker_pitch_mm': round(elastomer.marker_pitch * 1e3, 6),
                  'marker_diameter_mm': round(elastomer.marker_diameter * 1e3, 6)}
    return plain
