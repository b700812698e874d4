# SPDX-License-Identifier: Apache-2.0
"""`tactile reference` against fingers in another context of ROS."""

import pytest

pytest.importorskip('rclpy', reason='ROS is not installed')

from rclpy.client import Client
from rclpy.task import Future
from std_srvs.srv import Trigger

from tactile_nodes.cli.main import main
from tests.nodes.foreign import Foreign


@pytest.fixture
def hand():
    """Call with {finger: (success, message)}: services that answer so; the calls are counted."""
    with Foreign() as node:
        calls = []

        def serve(fingers):
            def answer(name, response):
                calls.append(name)
                response.success, response.message = fingers[name]
                return response

            for name in fingers:
                node.node.create_service(
                    Trigger, f'/sorter/{name}/capture_reference',
                    lambda _, response, name=name: answer(name, response))
            return calls

        yield serve


def test_every_finger_is_asked_and_its_answer_shown(hand, capsys):
    calls = hand({'thumb': (True, 'reference taken from 30 frames'),
                  'index': (False, 'reference: something touches the skin. Lift it off.')})
    assert main(['reference']) == 1
    assert capsys.readouterr().out.splitlines() == [
        '/sorter/index  refused: reference: something touches the skin. Lift it off.',
        '/sorter/thumb  reference taken from 30 frames']
    assert sorted(calls) == ['index', 'thumb']
    assert main(['reference', '--fingers', 'thumb']) == 0
    assert sorted(calls) == ['index', 'thumb', 'thumb']


def test_a_finger_that_does_not_run(hand, capsys):
    calls = hand({'thumb': (True, 'taken')})
    assert main(['reference', '--fingers', 'thumb,ring']) == 2
    assert "no such finger runs, found 'ring', expected one of /sorter/thumb" in \
        capsys.readouterr().err
    assert not calls


def test_a_finger_that_does_not_answer(hand, capsys, monkeypatch):
    monkeypatch.setattr('tactile_nodes.nodes.reference_client._ANSWER_WITHIN', 0.5)
    with Foreign() as silent:
        silent._stop.set()                       # offers the service but never serves it
        silent._thread.join()
        silent.node.create_service(Trigger, '/sorter/ring/capture_reference', lambda *_: None)
        hand({'thumb': (True, 'taken')})
        assert main(['reference', '--fingers', 'ring,thumb']) == 1
    out = capsys.readouterr().out
    assert '/sorter/ring   refused: no answer within 0.5 s' in out


def test_a_lost_answer_is_asked_for_again(hand, capsys, monkeypatch):
    monkeypatch.setattr('tactile_nodes.nodes.reference_client._ASK_AGAIN', 0.3)
    ask, asked = Client.call_async, []

    def lose_the_first(client, request):
        asked.append(client.srv_name)
        return Future() if len(asked) == 1 else ask(client, request)

    monkeypatch.setattr(Client, 'call_async', lose_the_first)
    hand({'thumb': (True, 'taken')})
    assert main(['reference']) == 0
    assert len(asked) == 2
    assert capsys.readouterr().out == '/sorter/thumb  taken\n'


def test_no_hand_runs(capsys, monkeypatch):
    monkeypatch.setattr('tactile_nodes.nodes.reference_client._FIND_WITHIN', 0.5)
    assert main(['reference']) == 2
    assert 'no finger answers. Bring the hand up' in capsys.readouterr().err
