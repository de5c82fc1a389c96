"""
The embedded broker's door: it lets 3.1.1 through as it is, and turns 5.0 into it (`api.mqtt5`).

Each connection at the door has one of its own behind it. A packet goes on as soon as it is whole; what is not read on
one side is not taken on the other, so that nothing heaps up here.
"""

import asyncio
import socket
from collections.abc import Coroutine
from contextlib import suppress
from typing import Any

from api.mqtt5 import MalformedPacketError, Packet, Translator, is_version_5

__all__ = ["open_front"]

_CHUNK = 1 << 16
_CONNECT_WITHIN_S = 30.0


async def open_front(door: socket.socket, host: str, behind: int) -> asyncio.Server:
    """Listen at a bound socket, for the broker at the port `behind` it."""

    async def enter(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, asyncio.IncompleteReadError, MalformedPacketError, TimeoutError):
            await _serve(reader, writer, host, behind)
        writer.close()

    return await asyncio.start_server(enter, sock=door)


async def _serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, host: str, behind: int) -> None:
    connect = await asyncio.wait_for(_packet(reader), _CONNECT_WITHIN_S)
    inner_reader, inner_writer = await asyncio.open_connection(host, behind)
    try:
        if not is_version_5(connect):
            inner_writer.write(connect.encoded())
            await _until_one_ends(_copy(reader, inner_writer), _copy(inner_reader, writer))
            return
        translator = Translator()
        await _say(inner_writer, translator.to_broker(connect))
        await _until_one_ends(
            _inward(translator, reader, inner_writer),
            _outward(translator, inner_reader, writer),
        )
    finally:
        inner_writer.close()


async def _until_one_ends(*ways: Coroutine[Any, Any, None]) -> None:
    """Run both ways until one side has left; what went wrong with the first to end goes on."""
    tasks = [asyncio.create_task(way) for way in ways]
    done, pending = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in pending:
        task.cancel()
    await asyncio.gather(*pending, return_exceptions=True)
    for task in done:
        task.result()


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while chunk := await reader.read(_CHUNK):
        writer.write(chunk)
        await writer.drain()


async def _inward(translator: Translator, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while not translator.ends:
        await _say(writer, translator.to_broker(await _packet(reader)))


async def _outward(translator: Translator, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while True:
        await _say(writer, translator.to_gateway(await _packet(reader)))


async def _say(writer: asyncio.StreamWriter, packet: Packet | None) -> None:
    if packet is not None:
        writer.write(packet.encoded())
        await writer.drain()


async def _packet(reader: asyncio.StreamReader) -> Packet:
    first = (await reader.readexactly(1))[0]
    length = 0
    for shift in range(0, 28, 7):
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 0x7F) << shift
        if byte < 0x80:
            return Packet(first, await reader.readexactly(length))
    raise MalformedPacketError("a length has more than four bytes")
