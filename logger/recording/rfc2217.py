"""The client's side of RFC 2217, the telnet option by which a serial server is told how to set its line; no I/O.

Memory is bounded whatever the server sends: each of its requests is answered once, a subnegotiation is kept up to
`MAX_SUBNEGOTIATION` bytes, and data that arrive before the line is set are dropped.
"""

from __future__ import annotations

import struct

IAC, DONT, DO, WONT, WILL, SB, SE = 255, 254, 253, 252, 251, 250, 240
BINARY, SUPPRESS_GO_AHEAD, COM_PORT = 0, 3, 44
_WANTED = frozenset({BINARY, SUPPRESS_GO_AHEAD, COM_PORT})
"""Options wanted on both sides; every other one is refused."""
_REFUSAL = {WILL: DONT, DO: WONT}
_SET_BAUD, _SET_DATA_BITS, _SET_PARITY, _SET_STOP_BITS, _SET_CONTROL = range(1, 6)
_ANSWER = 100
"""Added to a command's number in the server's answer to it."""
_NO_PARITY, _ONE_STOP_BIT = 1, 1
_NO_FLOW_CONTROL, _DTR_ON, _RTS_ON = 1, 8, 11
MAX_SUBNEGOTIATION = 64
_NAMES = {_SET_BAUD: "baud rate", _SET_DATA_BITS: "data bits", _SET_PARITY: "parity", _SET_STOP_BITS: "stop bits"}


class ComPortClient:
    """Asks for 8 data bits, no parity, one stop bit at a baud rate; separates data from telnet commands."""

    def __init__(self, baud: int) -> None:
        self.refused: str | None = None
        """What the server does not accept; None so far."""
        self.to_send = bytearray()
        """Telnet bytes for the server. The caller sends and clears them."""
        self._settings = {
            _SET_BAUD: struct.pack(">I", baud),
            _SET_DATA_BITS: bytes([8]),
            _SET_PARITY: bytes([_NO_PARITY]),
            _SET_STOP_BITS: bytes([_ONE_STOP_BIT]),
        }
        self._open = set(self._settings)
        """Settings that the server has not confirmed yet."""
        self._begun = False
        self._answered: set[tuple[int, int]] = set()
        self._held = b""
        """Beginning of a telnet command whose rest has not arrived."""
        self._subnegotiation: bytearray | None = None
        for option in sorted(_WANTED):
            self.to_send += bytes([IAC, WILL, option, IAC, DO, option])

    @property
    def ready(self) -> bool:
        """The server has confirmed every setting: what follows is data."""
        return not self._open

    def feed(self, received: bytes) -> bytes:
        """The data among the bytes received."""
        found = bytearray()
        buffer, self._held = self._held + received, b""
        at = 0
        while at < len(buffer):
            mark = buffer.find(IAC, at)
            self._plain(buffer[at : mark if mark >= 0 else len(buffer)], found)
            if mark < 0:
                break
            at = mark + (3 if buffer[mark + 1 : mark + 2] in (b"\xfb", b"\xfc", b"\xfd", b"\xfe") else 2)
            if len(buffer) < at:
                self._held = buffer[mark:]
                break
            self._command(buffer[mark + 1 : at], found)
        return bytes(found)

    @staticmethod
    def escaped(data: bytes) -> bytes:
        """Data as they are sent: a byte 255 twice."""
        return data.replace(b"\xff", b"\xff\xff")

    def _plain(self, data: bytes, found: bytearray) -> None:
        if self._subnegotiation is not None:
            self._subnegotiation += data[: MAX_SUBNEGOTIATION - len(self._subnegotiation)]
        elif self.ready:
            found += data

    def _command(self, command: bytes, found: bytearray) -> None:
        code = command[0]
        if code == IAC:
            self._plain(b"\xff", found)
        elif code == SB:
            self._subnegotiation = bytearray()
        elif code == SE:
            told, self._subnegotiation = bytes(self._subnegotiation or b""), None
            self._told(told)
        elif len(command) > 1:
            self._negotiate(code, command[1])

    def _negotiate(self, code: int, option: int) -> None:
        if option == COM_PORT and code == DO and not self._begun:
            self._begun = True
            for setting, value in self._settings.items():
                self._send(setting, value)
            for control in (_NO_FLOW_CONTROL, _DTR_ON, _RTS_ON):
                self._send(_SET_CONTROL, bytes([control]))  # not every server answers these
        elif option == COM_PORT and code == DONT and not self._begun:
            self.refused = "it is no RFC 2217 server"
        elif code in _REFUSAL and option not in _WANTED and (code, option) not in self._answered:
            self._answered.add((code, option))
            self.to_send += bytes([IAC, _REFUSAL[code], option])

    def _send(self, setting: int, value: bytes) -> None:
        self.to_send += bytes([IAC, SB, COM_PORT, setting]) + self.escaped(value) + bytes([IAC, SE])

    def _told(self, told: bytes) -> None:
        if len(told) < 2 or told[0] != COM_PORT:
            return
        setting, value = told[1] - _ANSWER, told[2:]
        if setting not in self._open or len(value) != len(self._settings[setting]):
            return
        if value == self._settings[setting]:
            self._open.discard(setting)
        else:
            wanted, got = (int.from_bytes(each, "big") for each in (self._settings[setting], value))
            self.refused = f"it sets {_NAMES[setting]} {got}, not {wanted}"
