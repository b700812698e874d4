# SPDX-License-Identifier: Apache-2.0
"""What every report is made of: one HTML file that needs nothing else, for screen and paper.

Colours are of the palette of M. Okabe and K. Ito (Color Universal Design, 2008); lines differ in
dash as well, so that no meaning rests on colour alone.
"""

import base64
import contextlib
import html
import io

import cv2

BLUE, VERMILLION, GREEN, ORANGE, SKY = '#0072B2', '#D55E00', '#009E73', '#E69F00', '#56B4E9'
_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #1a1a1a; max-width: 1180px;
       margin: 2em auto; padding: 0 1.2em; }
h1 { font-size: 1.7em; margin-bottom: 0; }
h2 { margin-top: 2em; border-bottom: 2px solid #0072B2; }
.sub { color: #555; margin-top: .2em; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
.wide { overflow-x: auto; }
th, td { padding: .35em .7em; text-align: right; white-space: nowrap;
         border-bottom: 1px solid #ddd; }
th { font-weight: 600; vertical-align: bottom; } thead th { border-bottom: 2px solid #888; }
th:first-child, td:first-child { text-align: left; }
th[colspan] { text-align: center; } tr.goal td { color: #555; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2em 1em; }
dt { font-weight: 600; } dd { margin: 0; }
.caution { border-left: 5px solid #D55E00; padding: .2em 1em; background: #fdf4ec; }
.pictures { display: grid; gap: 1em;
            grid-template-columns: repeat(auto-fit, minmax(420px, 1fr)); }
figure { margin: 0; } figure img { width: 100%; display: block; border-radius: 4px; }
figcaption { font-size: .9em; color: #444; margin-top: .3em; }
.plot svg { width: 100%; height: auto; }
@media print {
  body { font-size: 10pt; max-width: none; margin: 0; padding: 0; }
  h2, figure { break-after: avoid; } .finger { break-inside: avoid; }
  .pictures { grid-template-columns: repeat(2, 1fr); gap: .4em; width: 65%; }
  th, td { padding: .2em .35em; }
  .wide { overflow-x: visible; } .wide table { font-size: 8pt; }
}
"""


def document(title, parts):
    """HTML text of a page; `title` is plain text, `parts` are pieces of HTML."""
    return '\n'.join([
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>',
        *parts, '</body></html>\n'])


def picture(image, caption):
    """A picture (H, W, 3) uint8 with its caption (plain text), as a piece of HTML."""
    caption = html.escape(caption)
    data = cv2.imencode('.jpg', image, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()
    return (f'<figure><img alt="{caption}" '
            f'src="data:image/jpeg;base64,{base64.b64encode(data).decode()}">'
            f'<figcaption>{caption}</figcaption></figure>')


@contextlib.contextmanager
def plot_style(seed):
    """Matplotlib settings of all plots; `seed` (str) keeps the ids of a page's plots apart."""
    import matplotlib

    settings = {'svg.fonttype': 'none', 'svg.hashsalt': seed, 'font.size': 10,
                'font.family': 'sans-serif', 'axes.spines.top': False,
                'axes.spines.right': False, 'axes.grid': True, 'grid.color': '#e4e4e4'}
    with matplotlib.rc_context(settings):
        yield


def svg(figure):
    """SVG of a Matplotlib figure, to be put into a page; call within `plot_style`."""
    text = io.StringIO()
    figure.savefig(text, format='svg', metadata={'Date': None, 'Creator': None})
    whole = text.getvalue()
    return whole[whole.index('<svg'):]
