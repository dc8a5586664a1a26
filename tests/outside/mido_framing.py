"""Prints the SysEx messages that mido finds in each line of stdin, as the peer of tests/framing.rs.

In: one stream a line, in hex ("" is the empty stream). Out: one line for each, its SysEx messages in hex, split by
commas. Exit code 3: mido is not installed.
"""

import sys

try:
    import mido
except ImportError:
    sys.exit(3)

for line in sys.stdin:
    parser = mido.Parser()
    parser.feed(bytes.fromhex(line))
    print(",".join(bytes(m.bytes()).hex() for m in parser if m.type == "sysex"))
