# SPDX-License-Identifier: Apache-2.0
"""The page of one trial: what every finger felt over time, pictures at the events, a filmstrip."""

import html
from pathlib import Path

import cv2
import numpy as np

from tactile_nodes.cli.page import (
    BLUE,
    GREEN,
    ORANGE,
    SKY,
    VERMILLION,
    document,
    picture,
    plot_style,
    svg,
)
from tactile_nodes.trials.review import numbers, review

COLOURS = (BLUE, VERMILLION, GREEN, ORANGE, SKY, '#CC79A7')
DASHES = ('-', '--', '-.', ':', (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))
_FILM = 10                      # pictures in a filmstrip
_THUMB = (160, 120)             # px
_BEFORE_DROP = 0.05             # s; the last picture with the object


def write_trial_page(folder, out):
    """Write `<out>/<trial>.html`.

    Returns
    -------
    dict
        What the page of the set needs of this trial.

    Raises
    ------
    TactileError
        The trial cannot be read.
    """
    reviewed = review(folder)
    trial, found = reviewed.trial, numbers(reviewed)
    pictures, film, note = _pictures(reviewed)
    parts = [f'<h1>{html.escape(_title(trial))}</h1>',
             f'<p class="sub">hand {html.escape(trial.hand)}, '
             f'{trial.started.astimezone():%Y-%m-%d %H:%M:%S %Z}, {trial.duration:.1f} s, '
             f'<code>{html.escape(trial.name)}</code></p>',
             _facts(reviewed), f'<div class="plot">{_timeline(reviewed)}</div>']
    if pictures:
        parts.append(f'<h2>At the events</h2><div class="pictures">{"".join(pictures)}</div>')
    if film:
        parts.append(f'<h2>Filmstrip</h2>{film}')
    if note:
        parts.append(f'<p>{html.escape(note)}</p>')
    parts.append(f'<h2>Fingers</h2>{_finger_table(reviewed, found)}')
    Path(out).mkdir(parents=True, exist_ok=True)
    page = Path(out) / f'{trial.name}.html'
    page.write_text(document(_title(trial), parts), encoding='utf-8')
    return {'name': trial.name, 'page': page.name, 'hand': trial.hand, 'object': trial.object,
            'condition': trial.condition, 'outcome': trial.outcome, 'problem': trial.problem,
            'started': trial.started.isoformat(), **found}


def _title(trial):
    what = ', '.join(part for part in (trial.object, trial.condition) if part) or 'recording'
    return f'{what}: {trial.outcome or "not labelled yet"}'


def _facts(reviewed):
    trial, proposed = reviewed.trial, reviewed.proposed
    rows = []
    if trial.outcome == 'dropped':
        said = 'time not said' if trial.drop_at is None else f'at {trial.drop_at:.2f} s'
        rows.append(('dropped', said))
    touch = 'no drop'
    if proposed:
        touch = (f'dropped at {proposed.at:.2f} s; {proposed.finger} slid first, from '
                 f'{proposed.slid_from:.2f} s')
    rows.append(('from touch alone', touch + ('' if trial.outcome else
                                              '. Confirm it with: tactile trial label')))
    if reviewed.grasp:
        begin, end = reviewed.grasp
        rows.append(('grasp', f'{begin:.2f} to {end:.2f} s (at least two fingers in contact)'))
    rows += [(what, text) for what, text in (('note', trial.note), ('problem', trial.problem))
             if text]
    versions = ', '.join(f'{name} {version}' for name, version in (trial.software or {}).items())
    rows.append(('recorded with', versions or 'unknown'))
    return '<dl>' + ''.join(f'<dt>{html.escape(what)}</dt><dd>{html.escape(text)}</dd>'
                            for what, text in rows) + '</dl>'


def _timeline(reviewed):
    """SVG: contact and slip of every finger, press, shear, stick ratio, marks, drop."""
    from matplotlib.figure import Figure

    fingers = reviewed.fingers
    with plot_style(reviewed.trial.name):
        figure = Figure(figsize=(11, 8), layout='constrained')
        contact, press, shear, stick = figure.subplots(
            4, 1, sharex=True, height_ratios=[0.35 + 0.25 * len(fingers), 1.6, 1.2, 1])
        for row, (name, series) in enumerate(fingers.items()):
            colour, dash = COLOURS[row % len(COLOURS)], DASHES[row % len(DASHES)]
            _bars(contact, row, series, colour)
            for axes, values in ((press, series.press), (shear, series.shear),
                                 (stick, series.stick_ratio)):
                axes.plot(series.time, values, color=colour, linestyle=dash, linewidth=1.3,
                          label=name)
        contact.set_yticks(range(len(fingers)), list(fingers))
        contact.set_ylim(len(fingers) - 0.4, -0.6)
        contact.set_title('contact (bar) and slip (hatched)', loc='left', fontsize=10)
        for axes, label in ((press, 'press, N'), (shear, 'shear, N'), (stick, 'stick ratio')):
            axes.set_ylabel(label)
        stick.set_ylim(-0.05, 1.05)
        stick.set_xlabel('time after the start, s')
        stick.set_xlim(0, reviewed.trial.duration)
        press.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0), frameon=False)
        _events(reviewed, contact, (press, shear, stick))
        return svg(figure)


def _bars(axes, row, series, colour):
    from tactile_nodes.trials.drops import stretches
    touching = [(begin, end - begin) for begin, end in
                stretches(series.time, series.in_contact)]
    axes.broken_barh(touching, (row - 0.3, 0.6), facecolor=colour, alpha=0.45)
    axes.broken_barh([(begin, end - begin) for begin, end in series.slips()],
                     (row - 0.3, 0.6), facecolor='none', edgecolor='black', hatch='/////',
                     linewidth=0.6)


def _events(reviewed, top, others):
    """Marks and drops as lines through all plots, named above the first."""
    trial = reviewed.trial
    events = [(mark.at, mark.text, ':', '#555555') for mark in trial.marks]
    if reviewed.drop_at is not None and trial.drop_at is not None:
        events.append((trial.drop_at, 'dropped', '-', 'black'))
    if reviewed.proposed:
        events.append((reviewed.proposed.at, 'drop, from touch', '--', 'black'))
    for index, (at, text, dash, colour) in enumerate(sorted(events)):
        for axes in (top, *others):
            axes.axvline(at, color=colour, linestyle=dash, linewidth=1)
        others[0].annotate(text, (at, 1 - 0.11 * (index % 3)), fontsize=8, rotation=0,
                           xycoords=('data', 'axes fraction'), xytext=(3, -9),
                           textcoords='offset points',
                           bbox={'facecolor': 'white', 'edgecolor': 'none', 'pad': 1,
                                 'alpha': 0.8})


def _moments(reviewed):
    """[(finger, s, what)] worth a picture."""
    fingers = reviewed.fingers
    hardest = max(fingers, key=lambda name: fingers[name].press.max())
    found = [(hardest, fingers[hardest].time[np.argmax(fingers[hardest].press)], 'hardest press')]
    slips = [(slips[0][0], name) for name, series in fingers.items() if (slips := series.slips())]
    if slips:
        begin, name = min(slips)
        found.append((name, begin, 'first slip'))
    if reviewed.proposed:
        finger = reviewed.proposed.finger
        found.append((finger, reviewed.proposed.at - _BEFORE_DROP, 'just before the drop'))
    elif reviewed.drop_at is not None:
        found.append((hardest, reviewed.drop_at - _BEFORE_DROP, 'just before the drop'))
    return sorted(found, key=lambda moment: moment[1])


def _pictures(reviewed):
    """Overlays at the events, the filmstrip, and what could not be shown, as HTML."""
    from tactile_nodes.trials.frames import pictures_at
    shown, strips, missing = [], [], []
    trial, fingers = reviewed.trial, reviewed.fingers
    first = min(series.time[0] for series in fingers.values())
    last = max(series.time[-1] for series in fingers.values())
    begin, end = reviewed.grasp or (first, last)
    times = np.linspace(max(first, begin - 0.2), min(last, end + 0.2), _FILM)
    moments = _moments(reviewed)
    for name, series in fingers.items():
        own = [(series.row_at(at), at, what) for finger, at, what in moments if finger == name]
        film = [series.row_at(at) for at in times]
        pictures, why = pictures_at(trial, name, series, {*film, *(row for row, _, _ in own)})
        if why:
            missing.append(why)
        for row, at, what in own:
            image, overlay = pictures.get(row, (None, None))
            if image is not None:
                shown.append((at, picture(image if overlay is None else overlay,
                                          f'{name}: {what}, at {at:.2f} s')))
        strips.append([pictures.get(row, (None,))[0] for row in film])
    film = ''
    if any(image is not None for strip in strips for image in strip):
        film = picture(_film(strips), f'{", ".join(fingers)} from top to bottom, '
                                      f'{times[0]:.2f} to {times[-1]:.2f} s')
    note = f'Without contact and forces in the pictures: {"; ".join(missing)}' if missing else ''
    return [text for _, text in sorted(shown)], film, note


def _film(rows):
    """(h, w, 3) uint8: a row of small pictures per finger; grey where there is none."""
    width, height = _THUMB
    canvas = np.full((len(rows) * (height + 4), _FILM * (width + 4), 3), 255, np.uint8)
    for i, images in enumerate(rows):
        for j, image in enumerate(images):
            small = np.full((height, width, 3), 200, np.uint8) if image is None else \
                cv2.resize(image, _THUMB, interpolation=cv2.INTER_AREA)
            y, x = i * (height + 4), j * (width + 4)
            canvas[y:y + height, x:x + width] = small
    return canvas


def _finger_table(reviewed, found):
    heads = ('finger', 'serial', 'elastomer', 'calibrated', 'rate, Hz', 'frames, lost',
             'peak press, N', 'mean press, N', 'peak shear, N', 'slips', 'goal error, mm')
    rows = ''
    for name, values in found['fingers'].items():
        equipment = (reviewed.trial.fingers or {}).get(name)
        cells = [name, equipment.serial if equipment else '', equipment.elastomer if equipment
                 else '', 'yes' if equipment and equipment.calibration else 'no',
                 values['rate_hz'], values['lost'], values['peak_press_n'],
                 values['mean_press_n'], values['peak_shear_n'], values['slips'],
                 values['goal_error_mm']]
        rows += '<tr>' + ''.join(f'<td>{_cell(cell)}</td>' for cell in cells) + '</tr>'
    return ('<div class="wide"><table><thead><tr>'
            + ''.join(f'<th>{head.replace(", ", "<br>")}</th>' for head in heads)
            + f'</tr></thead><tbody>{rows}</tbody></table></div>')


def _cell(value):
    if value is None:
        return '&ndash;'
    return f'{value:.2f}' if isinstance(value, float) else html.escape(str(value))
