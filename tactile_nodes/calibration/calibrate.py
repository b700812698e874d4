# SPDX-License-Identifier: Apache-2.0
"""The whole calibration of a fingertip from one recorded press session, part by part.

Every part for which the recording has evidence is done; of every other one it is said why not, and
what to record next.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timezone

import numpy as np

from tactile_nodes import __version__
from tactile_nodes.calibration import force_fit, uncertainty
from tactile_nodes.calibration.indentations import Indentation, choose_stills
from tactile_nodes.calibration.scale import find_geometry
from tactile_nodes.calibration.session import (
    Overview,
    Part,
    Sensor,
    SensorStillError,
    coarse_lag,
    correlation_lag,
    overview,
    press_of,
    reference_sensor,
    within,
)
from tactile_nodes.calibration.shading import ShadingFit, fit_shading, is_cut
from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.force_model import Correction, ForceModel
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.marker_detection import check_unmarked, log_brightness
from tactile_nodes.core.markers import FlowStage
from tactile_nodes.core.reference import MIN_FRAMES, Reference, ReferenceBuilder
from tactile_nodes.core.types import AXES, ElastomerKind
from tactile_nodes.errors import DataError
from tactile_nodes.files.calibration import Calibration

REFERENCE_FRAMES = 60          # of the untouched beginning, at most
_UNTOUCHED = 30                # frames of it, when no sensor tells
_GUARD = 0.05                  # s kept from the ends of the untouched beginning
_ANY_SCALE = 6e-5              # m per px; cancels out of a contact's place in px
_NEAR = 0.1                    # s between a frame and a reference contact point
_POINT_SD = 1e-4               # m, noise of a contact point that moments tell
_LONG = 20.0                   # s; hardly a press
_FEW_PRESSES = 8               # fewer are refused
_GOOD_PRESSES = 30             # fewer are said
_MAX_SAMPLES, _IDLE_SAMPLES = 1500, 60       # frames that force is fitted to
_LEAST_LOAD = 0.5              # N, largest normal force that is worth a fit
_ONE_SIDED = 0.2               # of the larger side's load, that the smaller side must reach
_SATURATED = 0.02              # share of values at the upper end that is too much
# standard deviation on all sorts of indenters, over that on presses left out, where depth is what
# counts: what an independent model of three fingertips gave (balls, cylinders, wedges, boxes and
# gratings after balls)
_NEW_SHAPES = np.array([1.0, 1.0, 1.2, 1.2, 1.2, 1.0])
_LEAST_AXIS = (0.2, 0.2, 0.5, 1e-3, 1e-3, 5e-4)      # load worth correcting an axis, N and N*m


@dataclass(frozen=True, eq=False)
class ForceEvidence:
    """What the force part was fitted to, for the report.

    Attributes
    ----------
    seconds : (N,) float64
    press : (N,) int
    reference, estimate, sd : (N, 6) float64
        Estimate by the fit that the frame's press had no part in; standard deviation of its error
        with the reference's noise.
    places : (N, 2) float64
        Of the contact, m.
    figures : dict
        Axis to `uncertainty.Figures`.
    """

    seconds: np.ndarray
    press: np.ndarray
    reference: np.ndarray
    estimate: np.ndarray
    sd: np.ndarray
    places: np.ndarray
    figures: dict


@dataclass(frozen=True, eq=False)
class Outcome:
    """A calibration and how it came about.

    Attributes
    ----------
    calibration : Calibration
    parts : list of Part
    overview : Overview
    sensor : Sensor or None
    reference : Reference
    shading : ShadingFit or None
    force : ForceEvidence or None
    """

    calibration: Calibration
    parts: list
    overview: Overview
    sensor: Sensor | None
    reference: Reference
    shading: ShadingFit | None
    force: ForceEvidence | None


def calibrate(recording, elastomer, *, metres_per_px=None, serial='unknown',
              progress=lambda stage, share: None):
    """Calibrate.

    Parameters
    ----------
    recording : Recording
    elastomer : Elastomer
    metres_per_px : float, optional
        Image scale; without it, it is measured.
    serial : str
    progress : callable
        Told the stage (str) and the share done (float, or an int of frames when the total is not
        known).

    Returns
    -------
    Outcome

    Raises
    ------
    DataError
        The recording is wrong, or nothing of it can be used.
    """
    run = _Run(recording, elastomer, metres_per_px, progress)
    run.look()
    run.take_reference()
    run.find_geometry()
    run.fit_shading()
    run.fit_force()
    calibration = Calibration(
        serial=serial, elastomer=run.elastomer,
        created=datetime.now(timezone.utc).isoformat(timespec='seconds'),
        software_version=__version__, geometry=run.geometry,
        shading=run.shading.model if run.shading else None, force=run.model,
        statistics=run.statistics())
    return Outcome(calibration, run.parts, run.seen, run.sensor, run.reference, run.shading,
                   run.evidence)


class _Run:
    """One calibration on its way, from step to step."""

    def __init__(self, recording, elastomer, given, progress):
        self.recording, self.elastomer, self.progress = recording, elastomer, progress
        self.given = given                       # m per px, or None
        self.parts, self.sensor, self.lag = [], None, 0.0
        self.shading, self.model, self.evidence = None, ForceModel(), None
        self.measured = np.ones(6, bool) if elastomer.kind.has_markers \
            else np.array([False, False, True, True, True, False])

    def look(self):
        """See all images small, find presses, the untouched beginning and the sensor's delay."""
        self.seen = seen = overview(self.recording,
                                    lambda count: self.progress('looking at images', count))
        if self.recording.wrench is not None:
            self._take_sensor()
        self.untouched = np.zeros(len(seen.seconds), bool)
        if self.sensor is None:
            start = min((i.start_s for i in self.recording.indentations), default=np.inf)
            self.untouched[:_UNTOUCHED] = seen.seconds[:_UNTOUCHED] < start
        else:
            self._find_untouched()
        if np.count_nonzero(self.untouched) < MIN_FRAMES:
            raise DataError('too little untouched skin', where=self.recording.name,
                            found=f'{np.count_nonzero(self.untouched)} images',
                            expected=f'at least {MIN_FRAMES}, better {REFERENCE_FRAMES}',
                            fix='Record a second of untouched skin at the beginning.')

    def _take_sensor(self):
        try:
            self.sensor = reference_sensor(self.recording, self.seen.stamps_ns[0],
                                           self.seen.stamps_ns[-1])
        except SensorStillError as error:
            self.parts.append(Part('sensor', False, str(error), error.fix))
            return
        presses = self.sensor.presses
        zero = ' '.join(f'{v * u:.3g}' for v, u in zip(
            self.sensor.zero, (1, 1, 1, 1e3, 1e3, 1e3), strict=True))
        longest = float(np.ptp(presses, axis=1).max(initial=0))
        notes, advice = (), ''
        if longest > _LONG:
            notes = f'one press takes {longest:.0f} s',
            advice = 'If it was not one, the zero of the sensor moves: let it warm up and lift ' \
                     'off every few seconds.'
        self.parts.append(Part('sensor', True, f'{len(presses)} presses; zero {zero} (N, mN*m) '
                                               'taken off', advice, notes))

    def _find_untouched(self):
        """Frames of the first idle stretch (else of the longest), and the sensor's delay."""
        seen, sensor = self.seen, self.sensor
        self.lag = coarse_lag(seen, sensor)
        untouched = within(seen.seconds + self.lag, sensor.idle[:1], _GUARD)
        if np.count_nonzero(untouched) < MIN_FRAMES:
            longest = sensor.idle[np.argmax(np.ptp(sensor.idle, axis=1))]
            untouched = within(seen.seconds + self.lag, longest[None], _GUARD)
        if untouched.any():
            force = np.linalg.norm(sensor.wrench[:, :3], axis=1)
            self.lag, _ = correlation_lag(seen.seconds, np.sqrt(seen.change(untouched)),
                                          sensor.seconds, np.sqrt(force), around=self.lag)
        untouched[np.flatnonzero(untouched)[REFERENCE_FRAMES:]] = False
        self.untouched = untouched

    def take_reference(self):
        """Take the reference, and the pictures that show balls best."""
        if self.sensor is None:
            load, shear = self.seen.change(self.untouched), np.zeros(len(self.seen.seconds))
        else:
            wrench = self.sensor.at(self.seen.seconds + self.lag)
            load, shear = -wrench[:, 2], np.hypot(*wrench[:, :2].T)
        stills = dict(choose_stills(self.recording.indentations, self.seen.seconds, load, shear)) \
            if self.elastomer.kind.has_shading else {}
        builder, self.pictures = ReferenceBuilder(self.seen.shape, self.elastomer), []
        for i, (_, image) in enumerate(self.recording.images()):
            if self.untouched[i]:
                builder.add(image)
            if i in stills:
                self.pictures.append((image, stills[i]))
            self.progress('taking the reference', (i + 1) / len(self.untouched))
        self.reference = builder.finish()
        if not self.elastomer.kind.has_markers:
            check_unmarked(log_brightness(self.reference.mean))
        if self.elastomer.kind.has_shading and self.reference.is_grey:
            self._do_without_colour()

    def _do_without_colour(self):
        """Grey images show nothing of slope; markers are then all there is, as in a clear skin."""
        if not self.elastomer.kind.has_markers:
            raise DataError('images without colour', where=self.recording.name,
                            expected='colour, or markers on the elastomer',
                            fix='Record a colour encoding such as bgr8.')
        self.elastomer = replace(self.elastomer, kind=ElastomerKind.CLEAR_MARKERS)
        self.pictures = []

    def find_geometry(self):
        """Find the image scale and the lens's distortion."""
        points = self._contact_points() if self.elastomer.kind.has_shading else None
        self.geometry, self.elastomer, part = find_geometry(
            self.reference, self.elastomer, given=self.given, points=points)
        self.parts.append(part)

    def _contact_points(self, motion=None):
        """Reference contact points, m, and where the images show the contact, px; or None.

        Without a topic of them they come from the sensor's moments, x = -ty / fz, y = tx / fz.
        `motion` : MarkerField of every frame, of a clear skin.
        """
        recording, sensor, seen = self.recording, self.sensor, self.seen
        if sensor is None:
            return None
        wrench = sensor.at(seen.seconds + self.lag)
        presses = [Indentation(*(press - self.lag), 'press', 1.0) for press in sensor.presses]
        frames = [i for i, _ in choose_stills(presses, seen.seconds, -wrench[:, 2],
                                              np.hypot(*wrench[:, :2].T))]
        if recording.contact is None:
            sure = np.hypot(*sensor.noise[3:5]) < _POINT_SD * np.abs(wrench[:, 2])
            frames = {i: [-wrench[i, 4] / wrench[i, 2], wrench[i, 3] / wrench[i, 2]]
                      for i in frames if sure[i]}
        else:
            finite = np.isfinite(recording.contact).all(axis=1)
            times = (recording.contact_ns[finite] - seen.stamps_ns[0]) * 1e-9 - self.lag
            frames = {i: [np.interp(seen.seconds[i], times, column)
                          for column in recording.contact[finite].T]
                      for i in frames if np.abs(times - seen.seconds[i]).min(initial=1) < _NEAR}
        if not frames:
            return None
        geometry = self.geometry if motion else ImageGeometry(*seen.shape, _ANY_SCALE)
        stage = ContactStage(geometry, self.elastomer)
        stage.set_reference(self.reference)
        points, pixels = [], []
        for i, (_, image) in enumerate(recording.images()):
            touch = stage.process(image, motion and motion[i]) if i in frames else None
            if touch is not None and touch.in_contact and not is_cut(touch.mask):
                points.append(frames[i])
                pixels.append(geometry.to_pixel(touch.centroid)[0, ::-1])
            self.progress('contact points', (i + 1) / len(seen.seconds))
        return np.array(points).reshape(-1, 2), np.array(pixels).reshape(-1, 2)

    def fit_shading(self):
        """Fit the shading model, if there are balls."""
        if not self.elastomer.kind.has_shading:
            self.parts.append(Part('shading', False, 'clear skins and grey images have none'))
            return
        advice = ('Press a ball of known radius in at about 20 places all over the image and give '
                  'the times with --indentations.')
        table, length = self.recording.indentations, self.seen.seconds[-1]
        if not table:
            self.parts.append(Part('shading', False, 'no table of indentations was given', advice))
            return
        if all(press.start_s > length for press in table):
            self.parts.append(Part(
                'shading', False, f'the table of indentations begins at {table[0].start_s:.1f} s, '
                f'the recording ends at {length:.1f} s', 'Give seconds from the first image.'))
            return
        try:
            self.shading = fit = fit_shading(self.pictures, self.reference, self.geometry,
                                             self.elastomer)
        except DataError as error:
            self.parts.append(Part('shading', False, str(error), error.fix or advice))
            return
        self.parts.append(Part(
            'shading', True, f'{len(fit.circles)} of {len(self.pictures)} pictures of balls, '
            f'slopes to {fit.steepest:.2f}; gamma {fit.model.gamma:.3f}; '
            f'{fit.model.residual_sd:.4f} of the light left over'))

    def fit_force(self):
        """Fit the force model, if there are presses enough."""
        motion = self._motion() if self.sensor and not self.elastomer.kind.has_shading else None
        press = self._press()
        refusal = self._no_force(press)
        if refusal:
            self.parts.append(Part('force', False, *refusal))
            return
        if motion:
            self._fit_contact(motion, press)
            if self._corrected(motion):
                motion = self._motion()
                self._fit_contact(motion, press)
        samples, press = self._samples(press, motion)
        if not any(samples.contacts[i].in_contact for i in np.flatnonzero(press >= 0)):
            self.parts.append(Part(
                'force', False, 'the images show no contact while the sensor is pressed',
                'Check that images and wrench are of the same fingertip, and the kind in the '
                'elastomer file.'))
            return
        sensor, geometry, elastomer = self.sensor, self.geometry, self.elastomer
        largest = np.maximum(np.abs(sensor.wrench).max(axis=0), _LEAST_AXIS)
        model, lag = force_fit.fit_layer(
            samples, geometry, elastomer, sensor=sensor, lag=self.lag, measured=self.measured,
            full_scale=largest, press=press,
            progress=lambda share: self.progress('effective layer', share))
        features, layer_sd = force_fit.layer_features(samples, geometry, elastomer, model)
        lag = force_fit.fit_lag(samples, features, sensor, lag)
        pressed = np.flatnonzero(press >= 0)
        features, layer_sd = features[pressed], layer_sd[pressed]
        press, seconds = press[pressed], samples.seconds[pressed]
        truth = sensor.at(seconds + lag)
        weights, estimate = self._correct(features, truth, press, largest)
        error = estimate - truth
        parts = np.array([
            uncertainty.fit_sd(error[:, i], estimate[:, i], layer_sd[:, i],
                               noise=sensor.noise[i]) for i in range(6)]).T
        correction = Correction(weights, *(parts * _NEW_SHAPES), largest)
        figures = {axis: uncertainty.figures(truth[:, i], error[:, i], press, seconds, largest[i])
                   for i, axis in enumerate(AXES) if self.measured[i]}
        places = np.array([samples.contacts[i].centroid for i in pressed])
        sd = np.hypot(correction.sd(estimate, layer_sd), sensor.noise)
        self.evidence = ForceEvidence(seconds, press, truth, estimate, sd, places, figures)
        self.model = replace(model, correction=correction)
        self.parts.append(Part('timing', True, f'the sensor is {lag * 1e3:.1f} ms behind the '
                                               'camera; taken off'))
        self.parts.append(self._force_part())

    def _motion(self):
        """MarkerField of every frame, and from them the sensor's delay.

        What moves behind a clear skin changes the images more than a touch does.
        """
        flow, fields = FlowStage(self.geometry, self.elastomer), []
        flow.set_reference(self.reference)
        for i, (_, image) in enumerate(self.recording.images()):
            fields.append(flow.process(image))
            self.progress('marker motion', (i + 1) / len(self.seen.seconds))
        moved = [np.square(f.displacement[f.valid]).mean() if f.valid.any() else 0 for f in fields]
        force = np.linalg.norm(self.sensor.wrench[:, :3], axis=1)
        self.lag, _ = correlation_lag(self.seen.seconds, np.sqrt(moved), self.sensor.seconds,
                                      force, around=self.lag)
        return fields

    def _corrected(self, motion):
        """Whether the sensor's contact points have corrected the scale of a clear skin."""
        before = self.geometry.metres_per_px
        self.geometry, self.elastomer, part = find_geometry(
            self.reference, self.elastomer, given=self.given, points=self._contact_points(motion))
        self.parts[[part.name for part in self.parts].index('scale')] = part
        return self.geometry.metres_per_px != before

    def _fit_contact(self, motion, press):
        """Give a clear elastomer the thickness by which its contact is found best."""
        self.parts = [part for part in self.parts if part.name != 'contact']
        thickness = force_fit.fit_thickness(
            motion, press, self.geometry, self.elastomer,
            progress=lambda share: self.progress('contact', share))
        self.elastomer = replace(self.elastomer, thickness=thickness)
        self.parts.append(Part('contact', True, 'by the motion of the markers, which a layer '
                                                f'{thickness * 1e3:.2f} mm thick explains best'))

    def _press(self):
        """Press of every frame, -1 for none; None without a sensor."""
        if self.sensor is None:
            return None
        return press_of(self.seen.seconds + self.lag, self.sensor.presses)

    def _no_force(self, press):
        """Why force cannot be fitted and what to record, None if it can."""
        if press is None:
            return ('no reference force sensor that moves',
                    'Record a geometry_msgs/WrenchStamped topic of a force/torque sensor under '
                    'the fingertip with the images.')
        if not self.elastomer.kind.has_markers and self.shading is None:
            return ('without markers it needs depth, and there is no shading',)
        count = len(np.unique(press[press >= 0]))
        if count < _FEW_PRESSES:
            return (f'too few presses: {count} seen by sensor and camera',
                    f'Record at least {_GOOD_PRESSES} presses of different loads, places and '
                    'directions, and lift off between them.')
        normal = self.sensor.wrench[:, 2]
        if normal.max() > max(_LEAST_LOAD, -normal.min()):
            return ('the reference sensor has another sign: pressing gives a positive fz',
                    'Publish what the object exerts on the fingertip, in its frame: z out of '
                    'the skin, so that pressing gives fz < 0.')
        if -normal.min() < _LEAST_LOAD:
            return (f'too little load: {-normal.min():.2f} N at most',
                    'Press with as much as the fingertip will be used with.')
        return None

    def _samples(self, press, motion):
        """Samples to fit to, and their press; some are idle, for the noise that the stage sees.

        `motion` : the MarkerField of every frame, where it is known already.
        """
        keep = np.zeros(len(press), bool)
        for chosen, count in ((press >= 0, _MAX_SAMPLES), (press < 0, _IDLE_SAMPLES)):
            frames = np.flatnonzero(chosen)
            keep[frames[::max(1, round(len(frames) / count))]] = True
        contact = ContactStage(self.geometry, self.elastomer,
                               self.shading.model if self.shading else None)
        flow = FlowStage(self.geometry, self.elastomer)
        contact.set_reference(self.reference)
        flow.set_reference(self.reference)
        contacts, markers = [], []
        for i, (_, image) in enumerate(self.recording.images()):
            field = motion[i] if motion else flow.process(image)
            touch = contact.process(image, field)
            if keep[i]:
                contacts.append(touch)
                markers.append(field)
            self.progress('contact and markers', (i + 1) / len(press))
        return force_fit.Samples(self.seen.stamps_ns[keep], self.seen.seconds[keep], contacts,
                                 markers), press[keep]

    def _correct(self, features, truth, press, full_scale):
        """Weights of the correction, (6, F), and held-out estimates (N, 6)."""
        weights, estimate = np.zeros((6, features.shape[1])), features[:, :6].copy()
        for i in np.flatnonzero(self.measured):
            fit = force_fit.fit_axis(features, truth[:, i] - features[:, i], press,
                                     force_fit.sizes(features, full_scale, AXES[i]))
            weights[i] = fit.weights
            estimate[:, i] += fit.held_out
            self.progress('correction', (i + 1) / 6)
        return weights, estimate

    def _force_part(self):
        layer, evidence = self.model.layer(self.elastomer), self.evidence
        errors = ', '.join(f'{axis} {f.rmse:.2f}' for axis, f in evidence.figures.items())
        notes, advice = [], []
        for i, axis in enumerate(('fx', 'fy')):
            if axis not in evidence.figures:
                continue
            low, high = -evidence.reference[:, i].min(), evidence.reference[:, i].max()
            if max(low, high) < _LEAST_AXIS[i]:
                notes.append(f'{axis}: hardly any shear ({max(low, high):.2f} N)')
                advice.append(f'Drag in both directions of {axis[1]}.')
            elif min(low, high) < _ONE_SIDED * max(low, high):
                notes.append(f'{axis}: one-sided shear, {-low:.2f} to {high:.2f} N')
                advice.append(f'Drag towards {"-" if low < high else "+"}{axis[1]}, too.')
        count = len(np.unique(evidence.press))
        if count < _GOOD_PRESSES:
            notes.append(f'only {count} presses')
            advice.append(f'Record {_GOOD_PRESSES} or more.')
        share = self.seen.saturated.max()
        if share > _SATURATED:
            notes.append(f'saturated images, up to {100 * share:.0f} % of the values')
            advice.append('Lower exposure or LED level.')
        return Part(
            'force', True, f'{count} presses, {len(evidence.press)} frames; effective layer E '
            f'{layer.youngs_modulus / 1e3:.0f} kPa, thickness {layer.thickness * 1e3:.2f} mm, nu '
            f'{layer.poissons_ratio:.3f}; rmse on presses left out, % of full scale: {errors}',
            ' '.join(advice), tuple(notes))

    def statistics(self):
        """Plain mapping for the file."""
        plain = {'recording': self.recording.name}
        if self.evidence is not None:
            plain |= {'presses': len(np.unique(self.evidence.press)),
                      'frames': len(self.evidence.press),
                      'sensor_zero': [float(f'{v:.4g}') for v in self.sensor.zero],
                      'percent_of_full_scale': {
                          axis: {key: round(float(getattr(f, key)), 3) for key in (
                              'rmse', 'non_linearity', 'hysteresis', 'repeatability')}
                          for axis, f in self.evidence.figures.items()}}
        return plain
