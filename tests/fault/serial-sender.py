# A serial-line adapter on a pseudo-terminal, and the bus behind it: a process of its own, which a kill of the server does not reach.
#
# Argument: frames a second. Prints the terminal's name; then, each time frames went out, how many it has been so far and the monotonic time
# in nanoseconds. Frame n: id 0x100 + 10 * (n modulo 60), data n (four bytes, little-endian) and a hash of n. Ends with its standard input.
import os, pty, select, sys, time, tty

rate = float(sys.argv[1])
server, terminal = pty.openpty()
tty.setraw(terminal)
print(os.ttyname(terminal), flush=True)


def line(n):
    data = n.to_bytes(4, "little") + ((n * 0x9E3779B1) & 0xFFFFFFFF).to_bytes(4, "little")
    return b"t%03X8%s\r" % (0x100 + 10 * (n % 60), data.hex().upper().encode())


def answer(command):
    if command == b"V":
        return b"V1013\r"
    if command == b"Z1":
        return b"\x07"
    return b"F00\r" if command == b"F" else b"\r"


def take(typed):
    """What is to be said to the commands that are whole, what is left, and whether the bus was opened."""
    *commands, left = typed.split(b"\r")
    return b"".join(answer(command) for command in commands if command), left, b"L" in commands


os.set_blocking(server, False)
sent = 0
began = None
typed = b""
waiting = b""  # lines that the terminal has had no room for yet
while True:
    ready, _, _ = select.select([server, sys.stdin], [server] if waiting else [], [], 0.002)
    if sys.stdin in ready and not os.read(0, 1):
        break
    if server in ready:
        said, typed, opened = take(typed + os.read(server, 4096))
        waiting += said  # never in the middle of a frame's line
        if opened and began is None:
            began = time.monotonic()
    if began is not None and not waiting:
        due = min(int((time.monotonic() - began) * rate), sent + 100)
        waiting = b"".join(line(n) for n in range(sent, due))
        sent = due
    if waiting:
        try:
            waiting = waiting[os.write(server, waiting) :]
        except BlockingIOError:
            continue
        if not waiting and sent:
            print(sent, time.monotonic_ns(), flush=True)
