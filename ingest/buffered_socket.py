"""A socket that is read and written in large pieces, whatever pieces its user asks for."""

import socket
import ssl

__all__ = ["BufferedSocket"]

_READ_BYTES = 262_144  # some 300 packs of 25 readings


class BufferedSocket:
    """
    What paho asks of a socket (`SocketLike`), over a TCP or TLS socket that does not block.

    Paho reads a message in four calls and writes each acknowledgement in one. Every call into the system lets go of
    the interpreter's lock, and beside a thread that computes it takes up to 5 ms to get that back.
    """

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._read, self._at = b"", 0
        self._unsent = bytearray()

    def recv(self, n_bytes: int) -> bytes:
        """
        Up to `n_bytes`; what has come beyond is kept for the next call. Empty at the end.

        Raises:
            BlockingIOError, ssl.SSLWantReadError: If nothing has come.
        """
        if self._at == len(self._read):
            self._read, self._at = self._sock.recv(_READ_BYTES), 0
        piece = self._read[self._at : self._at + n_bytes]
        self._at += len(piece)
        return piece

    def pending(self) -> int:
        """Bytes that can be read although the system may say that nothing has come."""
        n_below = self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
        return len(self._read) - self._at + n_below

    def send(self, data: bytes | bytearray) -> int:
        """Take data, all of it; `flush` sends it."""
        self._unsent += data
        return len(data)

    def flush(self) -> bool:
        """Send as much as the network takes now; whether nothing is left to send."""
        if self._unsent:
            try:
                del self._unsent[: self._sock.send(self._unsent)]
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return False
            except OSError:
                self._unsent.clear()  # the connection is lost, and `recv` will say so
        return not self._unsent

    def close(self) -> None:
        """Send what is left as far as that takes no waiting, and close."""
        self.flush()
        self._sock.close()

    def fileno(self) -> int:
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        self._sock.setblocking(flag)
