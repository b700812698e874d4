# SPDX-License-Identifier: Apache-2.0
"""Elastomer files: what the soft layer is made of and what is printed on it."""

from tactile_nodes.core.layer import gent_modulus
from tactile_nodes.core.types import Elastomer, ElastomerKind
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
    kind = ElastomerKind(top.choice('kind', [k.value for k in ElastomerKind]))
    if top.has('modulus_kpa') == top.has('shore_a'):
        raise top.error('modulus_kpa', 'both' if top.has('shore_a') else 'neither',
                        'either modulus_kpa or shore_a')
    if top.has('modulus_kpa'):
        modulus = top.number('modulus_kpa', above=0) * 1e3
    else:
        modulus = gent_modulus(top.number('shore_a', low=1, high=95))
    marks = {}
    if kind.has_markers:
        marks = {'marker_pitch': top.number('marker_pitch_mm', above=0) * 1e-3,
                 'marker_diameter': top.number('marker_diameter_mm', above=0) * 1e-3}
    elastomer = Elastomer(
        name=top.text('name'), kind=kind, thickness=top.number('thickness_mm', above=0) * 1e-3,
        youngs_modulus=modulus, poissons_ratio=top.number('poissons_ratio', above=0, high=0.499),
        modulus_relative_sd=top.number('modulus_relative_sd', 0.1, above=0, high=1), **marks)
    top.finish()
    return elastomer
