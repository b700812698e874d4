# SPDX-License-Identifier: Apache-2.0
"""Bring a hand up: ros2 launch tactile_nodes hand.launch.py hand:=my_hand.yaml"""

import os
from tempfile import TemporaryDirectory

from launch.actions import (
    DeclareLaunchArgument,
    LogInfo,
    OpaqueFunction,
    RegisterEventHandler,
    SetEnvironmentVariable,
)
from launch.event_handlers import OnShutdown
from launch_ros.actions import Node

from launch import LaunchDescription
from tactile_nodes.hand.discovery import discovery_settings
from tactile_nodes.hand.plan import (
    LAYOUTS,
    arguments_of,
    load_plan,
    record_folder,
    write_parameters,
)
from tactile_nodes.hand.resources import find_executable, shipped

RESPAWN_DELAY = 1.0      # s


def generate_launch_description():
    return LaunchDescription([
        DeclareLaunchArgument('hand', default_value=str(shipped('config/four_finger_hand.yaml')),
                              description='hand file'),
        DeclareLaunchArgument('fingers', default_value='',
                              description='only these fingers, such as thumb,index; empty: all'),
        DeclareLaunchArgument('layout', default_value='composed', choices=LAYOUTS,
                              description='one process per finger, or one per node'),
        DeclareLaunchArgument('record', default_value='false',
                              description='true, or the folder to record into'),
        DeclareLaunchArgument('trials', default_value='false',
                              description='true, or the folder to record trials into'),
        DeclareLaunchArgument('rviz', default_value='false', choices=['true', 'false'],
                              description='start the viewer too'),
        OpaqueFunction(function=_actions),
    ])


def _actions(context):
    argument = context.launch_configurations
    plan = load_plan(
        argument['hand'], layout=argument['layout'], rviz=argument['rviz'] == 'true',
        record=record_folder(argument['record']), trials=record_folder(argument['trials']),
        fingers=argument['fingers'].split(',') if argument['fingers'] else None)
    folder = TemporaryDirectory(prefix='tactile_nodes_')
    clean_up = OnShutdown(on_shutdown=lambda *_: folder.cleanup())
    return [RegisterEventHandler(clean_up),
            *(SetEnvironmentVariable(*pair) for pair in discovery_settings(os.environ).items()),
            *(_action(process, folder.name) for process in plan.processes)]


def _action(process, folder):
    if not process.own and find_executable(process.package, process.executable) is None:
        return LogInfo(msg=f'{process.package}/{process.executable} is not installed: left out')
    return Node(
        package=process.package, executable=process.executable, namespace=process.namespace,
        name=process.node, exec_name=process.name, arguments=arguments_of(process, folder),
        parameters=[str(write_parameters(process, folder))] if process.parameters else [],
        output='screen', respawn=process.respawn, respawn_delay=RESPAWN_DELAY)
