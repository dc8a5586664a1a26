"""Prints the SysEx messages that mido finds in each MIDI file of stdin, as a peer of tests/midi_file.rs.

In: one file a line, in hex. Out: one line for each: its length in seconds and a blank, then its SysEx messages in order of
time as TRACK@TICK:HEX, split by commas. If mido refuses the file: ! and the kind of error. Exit code 3: mido is not
installed.
"""

import io
import sys

try:
    import mido
except ImportError:
    sys.exit(3)

for line in sys.stdin:
    try:
        file = mido.MidiFile(file=io.BytesIO(bytes.fromhex(line)))
    except Exception as error:
        print("!" + type(error).__name__)
        continue
    found = []
    for number, track in enumerate(file.tracks, 1):
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "sysex":
                found.append((tick, number, bytes(message.bytes()).hex()))
    found.sort(key=lambda message: message[0])
    print("%.9f" % file.length, ",".join("%d@%d:%s" % (number, tick, data) for tick, number, data in found))
