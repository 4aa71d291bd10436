"""A device server for tests: RFC 2217 as pyserial does it (serial.rfc2217.PortManager, the server side of that library), on a
free loopback port, over the serial device that is named.

What a pseudo-terminal lacks is played. Modem lines: what the client switches is printed, and "cts on", "dsr off" and the like
on standard input move those of the far end. Data bits and parity: they are printed with the other settings, and the terminal
keeps 8N. A speed above FASTEST is refused, as by an adapter that cannot do it. It ends when standard input does.

    server.py DEVICE FASTEST PORT (0 for any)
"""

import os
import socket
import sys
import threading

import serial
import serial.rfc2217


def say(*words):
    print(*words, flush=True)


class Played(serial.Serial):
    """A serial device with what a pseudo-terminal lacks."""

    far = {"cts": False, "dsr": False, "ri": False, "cd": False}

    cts = property(lambda self: self.far["cts"])
    dsr = property(lambda self: self.far["dsr"])
    ri = property(lambda self: self.far["ri"])
    cd = property(lambda self: self.far["cd"])

    def _reconfigure_port(self, force_update=False):
        if self._baudrate > int(sys.argv[2]):
            raise ValueError("too fast")
        size, parity = self._bytesize, self._parity
        self._bytesize, self._parity = serial.EIGHTBITS, serial.PARITY_NONE
        super()._reconfigure_port(force_update)
        self._bytesize, self._parity = size, parity
        say("set", self._baudrate, size, parity, self._stopbits)

    def _update_dtr_state(self):
        say("dtr", "on" if self._dtr_state else "off")

    def _update_rts_state(self):
        say("rts", "on" if self._rts_state else "off")


class Client:
    """One connection. PortManager writes through it."""

    def __init__(self, device, connection):
        self.device, self.connection = device, connection
        self.lock, self.alive = threading.Lock(), True
        self.manager = serial.rfc2217.PortManager(device, self)

    def write(self, data):
        with self.lock:
            self.connection.sendall(data)

    def to_client(self):
        while self.alive:
            try:
                data = self.device.read(self.device.in_waiting or 1)
                if data:
                    self.write(b"".join(self.manager.escape(data)))
            except OSError:
                break

    def serve(self):
        reader = threading.Thread(target=self.to_client, daemon=True)
        reader.start()
        try:
            while data := self.connection.recv(1024):
                self.device.write(b"".join(self.manager.filter(data)))
        except OSError:
            pass
        self.alive = False
        reader.join()
        self.connection.close()


def main():
    device = Played(sys.argv[1], timeout=0.05)
    listener = socket.create_server(("127.0.0.1", int(sys.argv[3])))
    current = []

    def commands():
        for line in sys.stdin:
            name, state = line.split()
            device.far[name] = state == "on"
            for client in current:
                client.manager.check_modem_lines()
        os._exit(0)

    threading.Thread(target=commands, daemon=True).start()
    say("listening", listener.getsockname()[1])
    while True:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        current[:] = [Client(device, connection)]
        current[0].serve()


main()
