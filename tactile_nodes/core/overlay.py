# SPDX-License-Identifier: Apache-2.0
"""Pictures of what the stages found, for people: one per finger, and a mosaic of the hand.

Colours are of the palette that colour-blind people can tell apart (M. Okabe and K. Ito, Color
Universal Design, 2008), and no meaning rests on colour alone.
"""

import cv2
import numpy as np

from tactile_nodes.core.geometry import check_image

MOTION_SCALE = 3
"""Marker arrows are drawn this many times longer than the motion they show."""

NEWTONS_FULL = 8.0
"""Full length of the normal force bar, N."""

_WIDTH = 640                     # pictures are enlarged to about this width, so text is legible
_SHEAR_PX_PER_N = 40.0           # on a picture 640 px wide
_STRIP = 84                      # height of the strip of numbers below the picture, px
_WHITE, _GREY, _DARK = (255, 255, 255), (150, 150, 150), (20, 20, 20)
_GROUND, _STRIP_GROUND, _BAR_GROUND = 20, 35, 65      # grey levels: a scalar fills far faster
_YELLOW, _VERMILLION, _SKY, _ORANGE, _PURPLE = (
    (66, 228, 240), (0, 94, 213), (233, 180, 86), (0, 159, 230), (167, 121, 204))
_FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_overlay(image, geometry, contact, markers, estimate, *, goal=None):
    """Draw a frame's contact, marker motion, force and goal over its picture.

    White outline: contact mask. Yellow arrows: marker motion, `MOTION_SCALE` times enlarged; a
    yellow cross is a lost marker. Orange-red arrow at the centroid: shear. Purple cross: goal. The
    strip below gives the numbers with one standard deviation.

    Parameters
    ----------
    image : (H, W, 3) uint8
        Blue, green, red.
    geometry : ImageGeometry
    contact : Contact
    markers : MarkerField
    estimate : ForceEstimate
    goal : (2,) array_like, optional
        Where the contact should be: x, y in m.

    Returns
    -------
    (k*H + 84, k*W, 3) uint8
        Blue, green, red; enlarged k = max(1, round(640 / W)) times.

    Raises
    ------
    DataError
        When the image is not of the geometry's size.
    """
    image = check_image(image, geometry)
    k = max(1, round(_WIDTH / geometry.width_px))
    height, width = k * geometry.height_px, k * geometry.width_px
    canvas = np.empty((height + _STRIP, width, 3), np.uint8)
    picture = canvas[:height]
    cv2.resize(image, (width, height), dst=picture, interpolation=cv2.INTER_LINEAR)
    enlarged = _Enlarged(geometry, k)
    _draw_mask(picture, contact.mask)
    _draw_markers(picture, enlarged, markers)
    if goal is not None:
        _draw_cross(picture, enlarged.points([goal])[0], 12, _PURPLE)
    if contact.in_contact:
        _draw_shear(picture, enlarged.points([contact.centroid])[0], estimate)
    canvas[height:] = _STRIP_GROUND
    _draw_numbers(canvas[height:], contact, estimate)
    return canvas


def mosaic(overlays):
    """Put the fingers' pictures side by side, two to a row, each under its name.

    Parameters
    ----------
    overlays : dict of str to (H, W, 3) uint8 or None
        In drawing order; None where a finger has no image. Sizes may differ.

    Returns
    -------
    (H', W', 3) uint8
    """
    present = [o for o in overlays.values() if o is not None]
    width = max((o.shape[1] for o in present), default=_WIDTH)
    height = max((o.shape[0] for o in present), default=_WIDTH * 3 // 4 + _STRIP)
    title, gap = 34, 6
    columns = min(2, max(1, len(overlays)))
    rows = max(1, -(-len(overlays) // columns))
    sheet = np.full((rows * (height + title) + (rows - 1) * gap,
                     columns * width + (columns - 1) * gap, 3), _GROUND, np.uint8)
    for index, (name, overlay) in enumerate(overlays.items()):
        row, column = divmod(index, columns)
        top, left = row * (height + title + gap), column * (width + gap)
        _text(sheet, name, (left + 12, top + 24), 0.75, _WHITE, weight=2)
        tile = sheet[top + title:top + title + height, left:left + width]
        if overlay is None:
            tile[:] = _STRIP_GROUND
            _text(tile, 'no image', (width // 2 - 60, height // 2), 0.9, _GREY, weight=2)
        else:
            tile[:overlay.shape[0], :overlay.shape[1]] = overlay
    return sheet


class _Enlarged:
    """Where points of the skin lie in the enlarged picture; OpenCV's order (column, row)."""

    def __init__(self, geometry, factor):
        self._geometry, self._factor = geometry, factor

    def points(self, xy):
        """(N, 2) m to (N, 2) px; the enlarged picture's first pixel centre is (k - 1) / 2 off."""
        pixels = self._geometry.to_pixel(xy)[:, ::-1]
        return pixels * self._factor + (self._factor - 1) / 2

    def lengths(self, xy):
        """(N, 2) m to (N, 2) px, without the offset."""
        return np.asarray(xy, np.float64) * (self._factor / self._geometry.metres_per_px)


def _draw_mask(picture, mask):
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL,
                                   cv2.CHAIN_APPROX_NONE)
    scale = picture.shape[1] / mask.shape[1]
    outlines = [np.rint((_smooth(c) + 0.5) * scale - 0.5).astype(np.int32) for c in outlines]
    cv2.polylines(picture, outlines, True, _DARK, 4)
    cv2.polylines(picture, outlines, True, _WHITE, 2, cv2.LINE_AA)


def _smooth(outline):
    """Closed outline without the stairs of its cells: mean of five neighbours."""
    return sum(np.roll(outline, shift, axis=0) for shift in range(-2, 3)) / 5


def _draw_markers(picture, enlarged, markers):
    valid = markers.valid
    start = enlarged.points(markers.rest)
    for x, y in np.rint(start[~valid]).astype(int):
        cv2.drawMarker(picture, (x, y), _YELLOW, cv2.MARKER_TILTED_CROSS, 8, 1, cv2.LINE_AA)
    start = start[valid]
    motion = MOTION_SCALE * enlarged.lengths(markers.displacement[valid])
    visible = np.hypot(motion[:, 0], motion[:, 1]) > 3
    lines = _arrows(start[visible], motion[visible], head=7)
    cv2.polylines(picture, lines, False, _DARK, 3)
    cv2.polylines(picture, lines, False, _YELLOW, 1, cv2.LINE_AA)


def _arrows(start, motion, head):
    """Polylines of arrows, (N, 5, 2) int32: tail, tip, one barb, tip, other barb."""
    length = np.hypot(motion[:, 0], motion[:, 1])[:, None]
    along = motion / np.maximum(length, 1e-9)
    across = along[:, ::-1] * (-1, 1)
    barb = np.minimum(head, 0.5 * length)
    tip = start + motion
    lines = [start, tip, tip - barb * (along - 0.6 * across), tip,
             tip - barb * (along + 0.6 * across)]
    return np.rint(np.stack(lines, axis=1)).astype(np.int32)


def _draw_shear(picture, centre, estimate):
    shear = estimate.wrench[:2] * (_SHEAR_PX_PER_N * picture.shape[1] / _WIDTH)
    length = np.hypot(*shear)
    if length >= 4:
        lines = _arrows(centre[None], shear[None], head=14)
        cv2.polylines(picture, lines, False, _WHITE, 8, cv2.LINE_AA)
        cv2.polylines(picture, lines, False, _VERMILLION, 4, cv2.LINE_AA)
    spot = tuple(int(v) for v in np.rint(centre))
    cv2.circle(picture, spot, 6, _WHITE, -1, cv2.LINE_AA)
    cv2.circle(picture, spot, 4, _VERMILLION, -1, cv2.LINE_AA)


def _draw_cross(picture, centre, arm, colour):
    spot = tuple(int(v) for v in np.rint(centre))
    cv2.drawMarker(picture, spot, _WHITE, cv2.MARKER_CROSS, 2 * arm + 4, 5)
    cv2.drawMarker(picture, spot, colour, cv2.MARKER_CROSS, 2 * arm, 3)


def _draw_numbers(strip, contact, estimate):
    width = strip.shape[1]
    wrench, sd = estimate.wrench, estimate.sd
    word, colour = _state(contact, estimate)
    left, right = 14, width // 2 + 14
    _text(strip, 'press', (left, 28), 0.5, _GREY)
    _bar(strip[14:32, left + 58:width // 2 - 50], -wrench[2], sd[2])
    _text(strip, f'{NEWTONS_FULL:g} N', (width // 2 - 44, 28), 0.45, _GREY)
    _text(strip, _value(-wrench[2], sd[2], 'N'), (left + 58, 54), 0.5, _WHITE)
    _text(strip, f'motion x{MOTION_SCALE}   shear 1 N =', (left, 77), 0.45, _GREY)
    start, one_newton = left + 190, int(_SHEAR_PX_PER_N * width / _WIDTH)
    cv2.line(strip, (start, 72), (start + one_newton, 72), _VERMILLION, 3)
    _text(strip, word, (right, 28), 0.6, colour, weight=2)
    shear_sd = float(np.hypot(sd[0], sd[1])) / np.sqrt(2)
    shear = _value(float(np.hypot(*wrench[:2])), shear_sd, 'N')
    _text(strip, f'shear {shear}', (right, 54), 0.5, _WHITE)
    _text(strip, f'torsion {_value(1e3 * wrench[5], 1e3 * sd[5], "mNm")}', (right, 77), 0.5,
          _WHITE)


def _state(contact, estimate):
    """Word and colour of the contact's state."""
    if not contact.in_contact:
        return 'no contact', _GREY
    if estimate.slipping:
        return 'SLIP', _ORANGE
    return f'stick {100 * estimate.stick_ratio:.0f} %', _SKY


def _value(value, sd, unit):
    if not np.isfinite(sd):
        return 'not measured'
    return f'{round(value, 2) + 0.0:.2f} {unit} (sd {sd:.2f})'      # + 0.0: never '-0.00'


def _bar(area, value, sd):
    """Horizontal bar of a force with a whisker of one standard deviation either side."""
    height, width = area.shape[:2]
    area[:] = _BAR_GROUND
    if not np.isfinite(sd):
        return

    def column(newtons):
        return int(np.clip(newtons / NEWTONS_FULL, 0, 1) * (width - 1))

    area[:, :column(value)] = _SKY
    for newton in range(1, int(NEWTONS_FULL)):
        area[height - 5:, column(newton)] = _DARK
    low, high, middle = column(value - sd), column(value + sd), height // 2
    area[middle - 1:middle + 1, low:high + 1] = _WHITE
    for end in (low, high):
        area[middle - 4:middle + 4, end:end + 2] = _WHITE


def _text(picture, words, origin, size, colour, *, weight=1):
    cv2.putText(picture, words, origin, _FONT, size, colour, weight, cv2.LINE_AA)
