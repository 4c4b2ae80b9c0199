"""Counts, periods and load of a classic pcap of CAN frames (link type 227), worked out bit by bit with nothing of the program's.

Usage: bus-counts.py FILE BIT_RATE. Prints one JSON object: frames, seconds, loadPercent, ids: {hex id: {frames, meanMs, longestMs}}.
Frame layout and stuffing: ISO 11898-1; CRC-15 polynomial 0x4599; three bits of pause count to their frame.
"""

import json
import struct
import sys


def bits_of(value, count):
    return [(value >> i) & 1 for i in range(count - 1, -1, -1)]


def crc15(bits):
    crc = 0
    for bit in bits:
        top = (crc >> 14) & 1
        crc = (crc << 1) & 0x7FFF
        if bit ^ top:
            crc ^= 0x4599
    return bits_of(crc, 15)


def frame_bits(identifier, extended, data):
    if extended:
        head = [0] + bits_of(identifier >> 18, 11) + [1, 1] + bits_of(identifier & 0x3FFFF, 18) + [0, 0, 0]
    else:
        head = [0] + bits_of(identifier, 11) + [0, 0, 0]
    body = head + bits_of(len(data), 4) + [bit for byte in data for bit in bits_of(byte, 8)]
    body += crc15(body)
    sent, run, last = 0, 0, None
    for bit in body:
        sent += 1
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            sent += 1
            last, run = 1 - bit, 1
    return sent + 1 + 1 + 1 + 7 + 3


def main():
    path, bit_rate = sys.argv[1], int(sys.argv[2])
    content = open(path, "rb").read()
    at, times, ids, bits = 24, [], {}, 0
    while at < len(content):
        seconds, micros, length, _ = struct.unpack("<IIII", content[at : at + 16])
        packet = content[at + 16 : at + 16 + length]
        at += 16 + length
        (word,) = struct.unpack(">I", packet[:4])
        data = packet[8 : 8 + packet[4]]
        extended = bool(word & 0x80000000)
        identifier = word & (0x1FFFFFFF if extended else 0x7FF)
        time_us = seconds * 1000000 + micros
        times.append(time_us)
        ids.setdefault("0x%0*X" % (8 if extended else 3, identifier), []).append(time_us)
        bits += frame_bits(identifier, extended, data)
    length_us = max(times) - min(times)
    print(
        json.dumps(
            {
                "frames": len(times),
                "seconds": length_us / 1e6,
                "loadPercent": 100 * bits / (bit_rate * length_us / 1e6),
                "ids": {
                    name: {
                        "frames": len(seen),
                        "meanMs": (seen[-1] - seen[0]) / (len(seen) - 1) / 1000 if len(seen) > 1 else None,
                        "longestMs": max((b - a for a, b in zip(seen, seen[1:])), default=0) / 1000,
                    }
                    for name, seen in ids.items()
                },
            }
        )
    )


main()
