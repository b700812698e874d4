# SPDX-License-Identifier: Apache-2.0
"""Calibration files: scale, shading and force of one fingertip with one elastomer."""

import shutil
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import yaml

from tactile_nodes.core.depth import TERMS, ShadingModel, SteepShading
from tactile_nodes.core.force_model import FEATURES, Correction, ForceModel
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.types import AXES, Elastomer
from tactile_nodes.errors import DataError, FileError
from tactile_nodes.files.durable import write_durably
from tactile_nodes.files.elastomer import elastomer_to_plain, take_elastomer
from tactile_nodes.files.section import read_section

_CHANNELS = ('blue', 'green', 'red')
_STEEP_KEYS = ('ambient', 'softness')


@dataclass(frozen=True, eq=False)
class Calibration:
    """What was measured on one fingertip with one elastomer.

    Attributes
    ----------
    serial : str
        Of the fingertip.
    elastomer : Elastomer
        That it was made with, as its file said then, but for what was measured: the pitch of the
        markers, and how thick a clear one is for its contact.
    created : str
        When, ISO 8601.
    software_version : str
        Of the package that made it.
    geometry : ImageGeometry
    shading : ShadingModel or None
        None: no depth.
    force : ForceModel
    statistics : dict
        What the fit was worth, for people to read: plain numbers, texts, lists and mappings.
    """

    serial: str
    elastomer: Elastomer
    created: str
    software_version: str
    geometry: ImageGeometry
    shading: ShadingModel | None
    force: ForceModel
    statistics: dict = field(default_factory=dict)


def read_calibration(path, *, serial=None, elastomer=None, size=None):
    """Read a calibration file.

    Parameters
    ----------
    path : path-like
    serial, elastomer : str, optional
        The fingertip and the elastomer's name it is wanted for; a file made for others is refused.
    size : (int, int), optional
        Width and height of the images it is wanted for, px; likewise.

    Returns
    -------
    Calibration

    Raises
    ------
    FileError
    """
    top = read_section(path)
    soft = top.section('elastomer')
    found = {'serial': top.text('serial'), 'elastomer': soft.text('name')}
    for key, wanted in (('serial', serial), ('elastomer', elastomer)):
        if wanted is not None and found[key] != wanted:
            raise FileError(f'calibration of another {key}', where=top.where(key),
                            found=found[key], expected=wanted,
                            fix='Calibrate this fingertip with this elastomer, or name its file.')
    try:
        made_with = take_elastomer(soft)
    except DataError as error:
        raise FileError(str(error), where=top.where('elastomer')) from None
    soft.finish()
    created = top.text('created')
    try:
        datetime.fromisoformat(created)
    except ValueError:
        raise top.error('created', created, 'a date like 2026-01-31T12:00:00+00:00') from None
    version = top.text('software_version')
    image = top.section('image')
    scale = image.number('um_per_px', above=0, high=1e4) * 1e-6
    distortion = image.number('distortion', 0.0)
    try:
        geometry = ImageGeometry(*(image.integer(key, low=16, high=4096)
                                   for key in ('height_px', 'width_px')), scale, distortion)
    except DataError as error:
        raise FileError(str(error), where=top.where('image')) from None
    image.finish()
    if size is not None and geometry.shape != size[::-1]:
        raise FileError('calibration of another image size', where=top.where('image'),
                        found=f'{geometry.width_px}x{geometry.height_px}',
                        expected='{}x{}'.format(*size),
                        fix='Calibrate at that size, or set the size it was made with.')
    shading = _read_shading(top)
    force = _read_force(top.section('force'))
    statistics = top.mapping('statistics', {})
    top.finish()
    return Calibration(found['serial'], made_with, created, version, geometry, shading, force,
                       statistics)


def _read_force(section):
    poisson = section.number('poissons_ratio', None, above=0, high=0.499)
    layer = {'stiffness_scale': section.number('stiffness_scale', above=0),
             'relative_sd': section.number('relative_sd', low=0, high=0.99),
             'thickness_scale': section.number('thickness_scale', 1.0, above=0),
             'poissons_ratio': poisson}
    correction = section.section('correction', None)
    section.finish()
    if correction is None:
        return ForceModel(**layer)
    if tuple(correction.texts('features')) != FEATURES:
        raise correction.error('features', 'others', 'those of this version of the software',
                               'Calibrate again with it.')
    axes = [correction.section(axis) for axis in AXES]
    numbers = {key: [axis.number(key, low=0) for axis in axes]
               for key in ('floor', 'share_own', 'share_layer')}
    numbers['full_scale'] = [axis.number('full_scale', above=0) for axis in axes]
    weights = [axis.numbers('weights', len(FEATURES)) for axis in axes]
    for part in (*axes, correction):
        part.finish()
    return ForceModel(**layer, correction=Correction(weights, **numbers))


def _read_shading(top):
    section = top.section('shading', None)
    if section is None:
        return None
    steep = section.section('steep', None)
    gamma, a, b = _read_lights(section)
    residual_sd = section.number('residual_sd', low=0)
    section.finish()
    if steep is not None:
        lights = _read_lights(steep, *_STEEP_KEYS)
        lights += [steep.numbers('darkening_per_m', 3), steep.number('darkening_sd', low=0)]
        steep.finish()
        try:
            steep = SteepShading(*lights)
        except DataError as error:
            raise FileError(str(error), where=top.where('shading')) from None
    return ShadingModel(gamma, a, b, residual_sd, steep)


def _read_lights(section, *single):
    """Gamma, and what a section says of each channel: a, b, the `single` numbers, mix."""
    channels = [section.section(channel) for channel in _CHANNELS]
    found = [section.number('gamma', low=0.2, high=5)]
    found += [[channel.numbers(key, TERMS) for channel in channels] for key in ('a', 'b')]
    found += [[channel.number(key, low=0, high=1) for channel in channels] for key in single]
    if single:
        found.append([channel.numbers('mix', len(_CHANNELS)) for channel in channels])
    for channel in channels:
        channel.finish()
    return found


def check_new(path):
    """Raise FileError if there is a file at `path`."""
    if Path(path).exists():
        raise FileError('the file exists', where=str(path),
                        fix='Name another file or say --force; the old one is then kept as .bak.')


def write_calibration(path, calibration, *, overwrite=False):
    """Write a calibration file, whole or not at all.

    Parameters
    ----------
    path : path-like
    calibration : Calibration
    overwrite : bool
        Replace an existing file, keeping it beside the new one with `.bak` added to its name.

    Raises
    ------
    FileError
        The file exists and `overwrite` is False, or it cannot be written.
    """
    path = Path(path)
    if not overwrite:
        check_new(path)
    text = yaml.safe_dump(_to_plain(calibration), sort_keys=False, default_flow_style=None)
    if path.exists():
        try:
            shutil.copyfile(path, f'{path}.bak')
        except OSError as error:
            raise FileError(f'cannot be kept as a backup ({error.strerror})',
                            where=str(path)) from None
    write_durably(path, text)


def _to_plain(calibration):
    c, geometry = calibration, calibration.geometry
    plain = {
        'serial': c.serial, 'elastomer': elastomer_to_plain(c.elastomer), 'created': c.created,
        'software_version': c.software_version,
        'image': {'width_px': geometry.width_px, 'height_px': geometry.height_px,
                  'um_per_px': round(geometry.metres_per_px * 1e6, 4),
                  'distortion': round(float(geometry.distortion), 6)},
    }
    if c.shading is not None:
        plain['shading'] = {**_lights_to_plain(c.shading, 'a', 'b'),
                            'residual_sd': round(float(c.shading.residual_sd), 6)}
        if c.shading.steep is not None:
            steep = c.shading.steep
            plain['shading']['steep'] = {
                **_lights_to_plain(steep, 'a', 'b', *_STEEP_KEYS, 'mix'),
                'darkening_per_m': np.round(steep.darkening, 3).tolist(),
                'darkening_sd': round(float(steep.darkening_sd), 6)}
    plain['force'] = _force_to_plain(c.force)
    if c.statistics:
        plain['statistics'] = c.statistics
    return plain


def _lights_to_plain(model, *keys):
    return {'gamma': round(float(model.gamma), 4), **{
        channel: {key: np.round(getattr(model, key)[i], 5).tolist() for key in keys}
        for i, channel in enumerate(_CHANNELS)}}


def _force_to_plain(force):
    plain = {'stiffness_scale': _rounded(force.stiffness_scale),
             'relative_sd': _rounded(force.relative_sd),
             'thickness_scale': _rounded(force.thickness_scale)}
    if force.poissons_ratio is not None:
        plain['poissons_ratio'] = _rounded(force.poissons_ratio)
    if force.correction is not None:
        c = force.correction
        plain['correction'] = {'features': list(FEATURES)}
        for i, axis in enumerate(AXES):
            plain['correction'][axis] = {
                **{key: _rounded(getattr(c, key)[i])
                   for key in ('full_scale', 'floor', 'share_own', 'share_layer')},
                'weights': [_rounded(v) for v in c.weights[i]]}
    return plain


def _rounded(value):
    """To seven digits: far finer than any fit, and still readable."""
    return float(f'{float(value):.7g}')
