"""Run a program on a terminal of its own and type the same answer to each of its questions.

terminal.py ANSWER PROGRAM [ARGUMENT...]; exits as the program did, or with 124 after a minute.
"""
import os
import pty
import select
import sys
import time

answer, line = sys.argv[1], sys.argv[2:]
pid, terminal = pty.fork()
if pid == 0:
    os.execvp(line[0], line)
deadline = time.monotonic() + 60
unread = b""
while time.monotonic() < deadline:
    ready, _, _ = select.select([terminal], [], [], 1)
    if not ready:
        continue
    try:
        said = os.read(terminal, 4096)
    except OSError:  # The program closed its side.
        break
    if not said:
        break
    unread += said
    # A question ends with a colon and a blank and waits; give the program time to switch the echo off.
    if unread.rstrip(b"\x1b[0123456789;KmJ").endswith(b": "):
        time.sleep(0.1)
        os.write(terminal, answer.encode() + b"\n")
        unread = b""
else:
    sys.exit(124)
_, status = os.waitpid(pid, 0)
sys.exit(os.waitstatus_to_exitcode(status))
