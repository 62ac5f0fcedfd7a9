"""The firmware consumer: a reference device that takes updates the strict way, on byte images of a planned map.

`consume` is what the running firmware does with an offered envelope, `start` what the boot stage does with an accepted
one, `keep` and `put_back` how a trial ends. A manifest's payload-fetch belongs to the first; its install section to the
second, where images are copied or swapped, else to the first. How images move under power cuts is not modelled
here: the explorer in `rootwright.prove` does that.
"""

from rootwright.device.consumer.consumer import Consumer, consume, keep, put_back, start
from rootwright.device.consumer.report import Report, Verdict
from rootwright.device.consumer.state import Anchor, DeviceState, Installed, Place, Settings, make_device
from rootwright.device.consumer.store import Fetch, FlashStore

__all__ = [
    "Anchor",
    "Consumer",
    "DeviceState",
    "Fetch",
    "FlashStore",
    "Installed",
    "Place",
    "Report",
    "Settings",
    "Verdict",
    "consume",
    "keep",
    "make_device",
    "put_back",
    "start",
]
