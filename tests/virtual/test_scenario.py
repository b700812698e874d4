# SPDX-License-Identifier: Apache-2.0
import logging
import multiprocessing
import os

import numpy as np
import pytest

from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tactile_nodes.files.scenario import Indenter, Scenario, Step
from tactile_nodes.virtual import scenario as module
from tactile_nodes.virtual.optics import SkinCamera, optics_of
from tactile_nodes.virtual.scenario import ScenarioPlayer, grid, solution_of, solve

PLAIN = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 0.41e6, 0.48)
MU = 0.5
GRASP = Scenario(
    name='grasp', repeat=True, indenter=Indenter('sphere', 12e-3), friction=MU,
    start=(0.4e-3, -0.3e-3, 2e-3),
    steps=(Step('free', 1.0), Step('approach', 0.3, height=0.0), Step('press', 0.5, force=2.0),
           Step('shear', 0.6, drag=(0.25e-3, 0.0)), Step('slip', 0.6, drag=(0.9e-3, 0.0)),
           Step('release', 0.3, force=0.0), Step('free', 0.5, height=2e-3)))
TOUCH = Scenario('touch', True, Indenter('sphere', 12e-3), MU, (0.0, 0.0, 1e-3),
                 (Step('press', 0.4, height=-0.1e-3), Step('release', 0.4, height=1e-3)))


@pytest.fixture(scope='module')
def solution():
    return solve(GRASP, PLAIN)


@pytest.fixture(scope='module')
def player(solution):
    optics = optics_of('VF-1001')
    camera = SkinCamera(PLAIN, optics, optics.geometry(160, 120), *grid())
    return ScenarioPlayer(GRASP, solution, camera)


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv('XDG_CACHE_HOME', str(tmp_path))
    return tmp_path / 'tactile_nodes' / 'scenarios'


def same(a, b):
    return all((getattr(a, key) == getattr(b, key)).all()
               for key in ('time', 'displacement', 'wrench', 'stick_ratio', 'slipping'))


def test_phases_do_what_they_say(player):
    _, free = player.at(0.9)
    assert not free.in_contact and (free.wrench == 0).all() and free.stick_ratio == 1
    assert np.isnan(free.centroid).all() and not free.slipping

    _, pressed = player.at(1.8)
    assert pressed.in_contact and pressed.wrench[2] == pytest.approx(-2, rel=1e-3)
    assert pressed.centroid[:2] == pytest.approx([0.4e-3, -0.3e-3], abs=2e-5)
    assert 0.1e-3 < pressed.centroid[2] < 0.6e-3

    _, sheared = player.at(2.4)
    assert 0.3 < sheared.wrench[0] < MU * 2 and not sheared.slipping
    assert sheared.stick_ratio < 0.95

    _, sliding = player.at(2.95)             # Coulomb: all of the normal force times mu
    assert sliding.slipping and sliding.stick_ratio == 0
    assert np.hypot(*sliding.wrench[:2]) == pytest.approx(MU * 2, rel=0.01)

    _, released = player.at(3.5)
    assert not released.in_contact and (released.wrench == 0).all()


def test_moments_belong_to_force_and_centroid(player):
    for t in np.linspace(1.35, 3.1, 30):
        _, truth = player.at(t)
        (fx, fy, fz), (tx, ty, _) = truth.wrench[:3], truth.wrench[3:]
        x, y, deepest = truth.centroid
        # shear acts somewhere between the undeformed skin and the deepest place
        for moment, lever in ((tx - y * fz, fy), (ty + x * fz, -fx)):
            assert -1e-5 <= np.sign(lever) * moment <= deepest * abs(lever) + 1e-5


def test_force_ramps_between_moments_without_a_jump(player):
    force = np.array([player.at(t)[1].wrench[2] for t in np.arange(0, 3.8, 0.01)])
    assert np.abs(np.diff(force)).max() < 0.15 * 2
    assert force[:130].max() == 0 == force[:125].min()


def test_repeats_and_ends(player):
    assert player.at(1.8 + GRASP.seconds)[1].wrench == pytest.approx(player.at(1.8)[1].wrench)
    pressed = Scenario('press', False, GRASP.indenter, MU, (0.0, 0.0, 0.0),
                       (Step('press', 0.3, force=1.0),))
    camera = SkinCamera(PLAIN, optics_of('a'), optics_of('a').geometry(160, 120), *grid())
    once = ScenarioPlayer(pressed, solve(pressed, PLAIN), camera)
    assert once.at(100.0)[1].wrench[2] == pytest.approx(-1, rel=1e-3)


def test_what_is_seen_is_the_skin_of_that_moment(solution):
    class Camera:
        def as_seen(self, displacement):
            return np.stack([*displacement, displacement[2]])

    player = ScenarioPlayer(GRASP, solution, Camera())
    for i in (5, 20, 40):
        seen, truth = player.at(solution.time[i])
        np.testing.assert_allclose(seen[:3], solution.displacement[i], atol=1e-9)
        assert truth.wrench == pytest.approx(solution.wrench[i], abs=1e-12)
    middle = solution.time[20:22].mean()
    seen, truth = player.at(middle)
    np.testing.assert_allclose(seen[:3], solution.displacement[20:22].mean(0), atol=1e-9)
    assert truth.wrench == pytest.approx(solution.wrench[20:22].mean(0))


def test_position_steps_press_as_deep_as_asked():
    solution = solve(TOUCH, PLAIN)
    deepest = -solution.displacement[:, 2].min(axis=(1, 2))
    assert deepest.max() == pytest.approx(0.1e-3, rel=0.02)
    assert deepest[0] == deepest[-1] == 0


def test_a_position_step_starts_where_a_force_step_ended():
    both = Scenario('both', True, GRASP.indenter, MU, (0.0, 0.0, 0.0),
                    (Step('press', 0.4, force=2.0), Step('hold', 0.2, height=-0.1e-3),
                     Step('release', 0.4, height=1e-3)))
    solution = solve(both, PLAIN)
    force = -solution.wrench[:, 2]
    assert np.abs(np.diff(force)).max() < 0.4 and force.max() == pytest.approx(2, rel=1e-3)


@pytest.mark.parametrize('indenter', [Indenter('cylinder', 6e-3, length=8e-3),
                                      Indenter('flat', 4e-3, edge_radius=0.5e-3)],
                         ids=lambda i: i.shape)
def test_other_indenters_press_and_twist(indenter):
    twist = Scenario('twist', True, indenter, 0.8, (0.0, 0.0, 0.0),
                     (Step('press', 0.4, force=4.0), Step('twist', 0.5, twist=np.deg2rad(6)),
                      Step('release', 0.3, force=0.0)))
    solution = solve(twist, PLAIN)
    assert solution.wrench[:, 2].min() == pytest.approx(-4, rel=1e-3)
    assert solution.wrench[:, 5].max() > 3e-3
    # upper bound by friction: mu P times the farthest point of contact
    assert solution.wrench[:, 5].max() < 0.8 * 4 * (5e-3 if indenter.shape == 'flat' else 8e-3)


def test_rolling_moves_the_contact_without_shear():
    roll = Scenario('roll', True, GRASP.indenter, 0.8, (-0.5e-3, 0.0, 0.0),
                    (Step('press', 0.4, force=2.0), Step('roll', 0.5, roll=(1e-3, 0.0)),
                     Step('release', 0.3, force=0.0)))
    solution = solve(roll, PLAIN)
    rolled = np.searchsorted(solution.time, 0.9 - 1e-9)
    fx, _, fz, _, ty, _ = solution.wrench[rolled]
    assert -ty / fz == pytest.approx(0.5e-3, abs=0.1e-3)
    assert abs(fx) < 0.1 * abs(fz)


def test_a_second_start_takes_the_solution_from_the_cache(cache, monkeypatch):
    shares = []
    first = solution_of(TOUCH, PLAIN, shares.append)
    assert shares == sorted(shares) and shares[-1] == pytest.approx(1)
    assert len(list(cache.glob('*.npz'))) == 1
    monkeypatch.setattr(module, 'solve', None)           # would raise if it were called
    assert same(solution_of(TOUCH, PLAIN), first)


def test_whatever_matters_makes_another_solution(cache):
    solution_of(TOUCH, PLAIN)
    stiffer = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 0.5e6, 0.48)
    assert solution_of(TOUCH, stiffer).wrench[:, 2].min() < solution_of(TOUCH, PLAIN).wrench[
        :, 2].min()
    assert len(list(cache.glob('*.npz'))) == 2


@pytest.mark.parametrize('damage', ['empty', 'cut', 'text', 'shapes', 'bits'])
def test_a_damaged_cache_file_is_solved_anew(cache, damage, caplog):
    first = solution_of(TOUCH, PLAIN)
    path, = cache.glob('*.npz')
    data = path.read_bytes()
    if damage == 'shapes':
        np.savez(path, time=np.zeros(3), displacement=np.zeros((3, 3, 2, 2)),
                 wrench=np.zeros((3, 6)), stick_ratio=np.zeros(3), slipping=np.zeros(3, bool))
    else:
        half = len(data) // 2
        path.write_bytes({'empty': b'', 'cut': data[:half], 'text': b'no solution',
                          'bits': data[:half] + bytes(100) + b'\xff' * 100 + data[half + 200:],
                          }[damage])
    with caplog.at_level(logging.WARNING):
        assert same(solution_of(TOUCH, PLAIN), first)
    assert 'damaged' in caplog.text
    assert same(solution_of(TOUCH, PLAIN), first) and len(list(cache.iterdir())) == 2


def test_without_a_writable_cache_it_is_solved_each_time(tmp_path, monkeypatch, caplog):
    (tmp_path / 'file').write_text('')
    monkeypatch.setenv('XDG_CACHE_HOME', str(tmp_path / 'file'))
    assert len(solution_of(TOUCH, PLAIN).time) > 2
    assert 'not kept' in caplog.text


def _solve_and_count(count):
    real = module.solve

    def counted(*args):
        with count.get_lock():
            count.value += 1
        return real(*args)

    module.solve = counted
    solution_of(TOUCH, PLAIN)


def test_processes_that_want_the_same_solve_it_once(cache):
    context = multiprocessing.get_context('fork' if os.name == 'posix' else 'spawn')
    count = context.Value('i', 0)
    workers = [context.Process(target=_solve_and_count, args=(count,)) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0, 0]
    assert count.value == 1


def test_an_impossible_script_is_a_clear_error(monkeypatch):
    def fail(*_, **__):
        raise DataError('normal contact does not converge', where='contact')

    monkeypatch.setattr(module.LayerContact, 'step', fail)
    with pytest.raises(DataError, match=r'scenario touch, 0\.\d+ s.*converge'):
        solve(TOUCH, PLAIN)
