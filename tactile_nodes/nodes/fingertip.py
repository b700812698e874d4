# SPDX-License-Identifier: Apache-2.0
"""A whole finger in one process: the five nodes, joined by calls instead of topics.

Every frame goes through in the capture thread, by reference; the executor's thread serves
parameters, services and timers. What was found is published at the end, all at once and the wrench
first: each message on its own would wake its listeners, who take the processor from the sums.
"""

from tactile_nodes.nodes.contact_node import ContactNode
from tactile_nodes.nodes.device_node import DeviceNode
from tactile_nodes.nodes.flow_node import FlowNode
from tactile_nodes.nodes.force_node import ForceNode
from tactile_nodes.nodes.process import run
from tactile_nodes.nodes.view_node import ViewNode


def compose(*, device=None, **options):
    """Make the nodes of a finger and join them.

    Parameters
    ----------
    device : FingertipDevice, optional
        Instead of the one that the parameters name.
    **options
        Of every node.

    Returns
    -------
    list of Node
        Device, contact, flow, force, view.
    """
    source = DeviceNode(subscribe=False, device=device, **options)
    contact, flow, force, view = (
        kind(subscribe=False, **options) for kind in (ContactNode, FlowNode, ForceNode, ViewNode))

    def work_through(frame):
        stamp_ns, found, estimate = frame.stamp_ns, None, None
        markers = flow.process(frame.image)
        if markers is not None:
            found = contact.process(frame.image, markers)
        source.in_contact = found is not None and found.in_contact
        if found is not None:
            estimate = force.process(found, markers, stamp_ns)
        for node, result in ((force, estimate), (contact, found), (flow, markers)):
            if result is not None:
                node.publish(result, stamp_ns)
        if estimate is not None:
            view.process(frame.image, found, markers, estimate, stamp_ns)

    source.frame_listeners.append(work_through)
    source.reference_listeners += [contact.set_reference, flow.set_reference]
    return [source, contact, flow, force, view]


def main(args=None):
    """Run a finger."""
    run(compose, args)


if __name__ == '__main__':
    main()
