"""The virtual scope on a fake USB bus: a back end of pyusb, for any program that uses pyusb.

The bus lies below pyusb's and PyVISA-py's own code. A device of USBTMC with USB488 (USBTMC 1.00,
USBTMC-USB488 1.00) has one bulk pipe each way, in packets of 64 bytes (full speed) or 512 (high
speed); a transfer ends with a packet that is not full.

Threads: the caller's, and the mailbox's own.
"""

from __future__ import annotations

import array
import contextlib
import errno
import struct
import threading
import time
from collections import deque
from types import SimpleNamespace
from unittest import mock

import usb.backend.libusb1
import usb.core
from usb.backend import IBackend

from instruments.virtual.scope import VirtualScope
from instruments.virtual.scope.scope import Fault, Mailbox

VENDOR, PRODUCT = 0x1209, 0x0001
"""Of the ids that are free for tests."""
BULK_OUT, BULK_IN = 0x01, 0x82
DEV_DEP_MSG_OUT, REQUEST_DEV_DEP_MSG_IN = 1, 2
SUCCESS, NOT_IN_PROGRESS = 0x01, 0x81
_LOOK_S = 0.02


class UsbScope(IBackend):
    """A virtual scope on a USB bus of its own.

    Parameters
    ----------
    scope : VirtualScope
        Who answers; the caller's to close.
    packet_bytes : int
        Most bytes of a bulk packet: 64 or 512.
    """

    def __init__(self, scope: VirtualScope, packet_bytes: int = 512) -> None:
        super().__init__()
        self.serial = f"VIRTUAL-{scope.family}"
        self.address = f"USB0::0x{VENDOR:04X}::0x{PRODUCT:04X}::{self.serial}::0::INSTR"
        self.packet_bytes = packet_bytes
        self.permitted = True
        """Whether this user may open the device."""
        self._box = Mailbox(scope)
        self._plugged = True
        self._stalled = False
        self._configuration = 0
        self._tag = 0
        self._wanted = 0
        self._packets: deque[bytes] = deque()
        self._lock = threading.RLock()

    @contextlib.contextmanager
    def plugged_in(self):
        """Make this bus the only one that pyusb finds."""
        with mock.patch.object(usb.backend.libusb1, "get_backend", return_value=self):
            yield self
        self.close()

    def close(self) -> None:
        """End the mailbox's thread."""
        self._box.close()

    def unplug(self) -> None:
        """Pull the plug: everything fails until it is plugged in again."""
        self._plugged = False

    def plug(self) -> None:
        """Put the plug back; the device has forgotten all."""
        self._box.clear()
        self._packets.clear()
        self._stalled = False
        self._wanted = 0
        self._plugged = True

    # What pyusb asks about the device

    def enumerate_devices(self):
        return [self] if self._plugged else []

    def get_parent(self, dev):
        return None

    def get_device_descriptor(self, dev):
        return SimpleNamespace(
            bLength=18,
            bDescriptorType=1,
            bcdUSB=0x0200,
            bDeviceClass=0,
            bDeviceSubClass=0,
            bDeviceProtocol=0,
            bMaxPacketSize0=64,
            idVendor=VENDOR,
            idProduct=PRODUCT,
            bcdDevice=0x0100,
            iManufacturer=1,
            iProduct=2,
            iSerialNumber=3,
            bNumConfigurations=1,
            address=1,
            bus=250,
            port_number=1,
            port_numbers=(1,),
            speed=3 if self.packet_bytes == 512 else 2,
        )

    def get_configuration_descriptor(self, dev, config):
        if config:
            raise IndexError
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=2,
            wTotalLength=32,
            bNumInterfaces=1,
            bConfigurationValue=1,
            iConfiguration=0,
            bmAttributes=0xC0,
            bMaxPower=1,
            extra_descriptors=[],
        )

    def get_interface_descriptor(self, dev, intf, alt, config):
        if intf or alt or config:
            raise IndexError
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=4,
            bInterfaceNumber=0,
            bAlternateSetting=0,
            bNumEndpoints=2,
            bInterfaceClass=0xFE,
            bInterfaceSubClass=3,
            bInterfaceProtocol=1,
            iInterface=0,
            extra_descriptors=[],
        )

    def get_endpoint_descriptor(self, dev, ep, intf, alt, config):
        return SimpleNamespace(
            bLength=7,
            bDescriptorType=5,
            bEndpointAddress=(BULK_OUT, BULK_IN)[ep],
            bmAttributes=2,
            wMaxPacketSize=self.packet_bytes,
            bInterval=0,
            bRefresh=0,
            bSynchAddress=0,
            extra_descriptors=[],
        )

    def open_device(self, dev):
        self._require()
        if not self.permitted:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        return self

    def close_device(self, dev_handle):
        self._packets.clear()

    def set_configuration(self, dev_handle, config_value):
        self._require()
        self._configuration = config_value

    def get_configuration(self, dev_handle):
        self._require()
        return self._configuration

    def set_interface_altsetting(self, dev_handle, intf, altsetting):
        self._require()

    def claim_interface(self, dev_handle, intf):
        self._require()

    def release_interface(self, dev_handle, intf):
        self._require()

    def is_kernel_driver_active(self, dev_handle, intf):
        self._require()
        return False

    def clear_halt(self, dev_handle, ep):
        self._require()

    def reset_device(self, dev_handle):
        self._require()

    # The pipes

    def bulk_write(self, dev_handle, ep, intf, data, timeout):
        """Take a transfer: a part of a message, or the wish for a part of a reply."""
        self._require()
        message, tag, _, size, attributes = struct.unpack_from("<BBBxLB", data)
        if message == DEV_DEP_MSG_OUT:
            self._box.write(bytes(data[12 : 12 + size]), end=bool(attributes & 1))
        elif message == REQUEST_DEV_DEP_MSG_IN:
            with self._lock:
                self._tag, self._wanted = tag, size
                self._packets.clear()
        else:
            raise usb.core.USBError("Pipe error", -9, errno.EPIPE)
        return len(data)

    def bulk_read(self, dev_handle, ep, intf, buff, timeout):
        """Give packets until one is not full, or no more fits."""
        deadline_s = time.monotonic() + (timeout or 1000) * 1e-3
        while not self._packets:
            self._require()
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
            if self._stalled or not self._wanted:
                time.sleep(min(left_s, _LOOK_S))
            else:
                self._fetch(min(left_s, _LOOK_S))
        got = bytearray()
        while self._packets and len(got) + self.packet_bytes <= len(buff):
            packet = self._packets.popleft()
            got += packet
            if len(packet) < self.packet_bytes:
                break
        buff[: len(got)] = array.array("B", got)
        return len(got)

    def ctrl_transfer(self, dev_handle, kind, request, value, index, data, timeout):
        self._require()
        answer = self._answer(kind, request, value)
        if answer is None:
            raise usb.core.USBError("Pipe error", -9, errno.EPIPE)
        answer = answer[: len(data)]
        data[: len(answer)] = array.array("B", answer)
        return len(answer)

    def _answer(self, kind: int, request: int, value: int) -> bytes | None:
        if (kind, request) == (0x80, 6):
            return self._string(value)
        if not kind & 0x20:
            return b""
        if request == 7:  # GET_CAPABILITIES
            return bytes([SUCCESS, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 7, 15]) + bytes(8)
        if request == 3:  # INITIATE_ABORT_BULK_IN
            return self._abort_in()
        if request == 5:  # INITIATE_CLEAR
            self._box.clear()
            self._packets.clear()
            self._stalled = False
            self._wanted = 0
            return bytes([SUCCESS])
        if request in (2, 4, 6):  # how far clearing or aborting is
            return bytes([SUCCESS, 0, 0, 0, 0, 0, 0, 0])
        if request == 128:  # READ_STATUS_BYTE
            return bytes([SUCCESS, value & 0xFF, 16 if self._box.waiting() else 0])
        return bytes([SUCCESS, 0])

    def _abort_in(self) -> bytes:
        with self._lock:
            # What stalled was the reply: the next message finds the scope alive again.
            self._stalled = False
            if not self._wanted:
                return bytes([NOT_IN_PROGRESS, 0])
            self._wanted = 0
            self._packets.clear()
            self._packets.append(b"")
            return bytes([SUCCESS, self._tag])

    def _string(self, value: int) -> bytes | None:
        if value >> 8 != 3:
            return None
        texts = ("", "Evenlobe", "Virtual scope", self.serial)
        index = value & 0xFF
        body = struct.pack("<H", 0x0409) if not index else texts[index].encode("utf-16-le")
        return bytes([len(body) + 2, 3]) + body

    def _fetch(self, timeout_s: float) -> None:
        got = self._box.fetch(self._wanted, timeout_s)
        with self._lock:
            if got.broken is Fault.STALL:
                self._stalled = True
            elif got.broken is not None:
                self.unplug()
            elif got.data or got.end:
                tags = (self._tag, ~self._tag & 0xFF)
                head = struct.pack("<BBBxLBxxx", 2, *tags, len(got.data), got.end)
                self._send(head + got.data)
                self._wanted = 0

    def _send(self, transfer: bytes) -> None:
        transfer += bytes(-len(transfer) % 4)
        for begin in range(0, len(transfer) + 1, self.packet_bytes):
            self._packets.append(transfer[begin : begin + self.packet_bytes])

    def _require(self) -> None:
        if not self._plugged:
            raise usb.core.USBError("No such device", -4, errno.ENODEV)
