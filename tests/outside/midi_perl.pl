# Prints the SysEx packets that MIDI-Perl (Debian: libmidi-perl) finds in each MIDI file of stdin, as a peer of
# tests/midi_file.rs.
#
# In: one file a line, in hex. Out: one line for each: its packets, track by track, as TRACK@TICK:KIND:HEX, split by commas;
# KIND is f0 or f7, HEX the bytes of the event. If the module refuses the file: ! and its reason. Exit code 3: the module is
# not installed.

use strict;
use warnings;

eval { require MIDI; 1 } or exit 3;

# It also warns; what it finds is all that is compared.
local $SIG{__WARN__} = sub { };

while (my $line = <STDIN>) {
    chomp $line;
    my $bytes = pack 'H*', $line;
    my $opus = eval {
        open my $handle, '<', \$bytes or die "no handle: $!";
        MIDI::Opus->new({ from_handle => $handle });
    };
    if (!$opus) {
        my ($reason) = split /\n/, $@;
        print "!$reason\n";
        next;
    }
    my @found;
    my $number = 0;
    for my $track ($opus->tracks) {
        $number++;
        my $tick = 0;
        for my $event ($track->events) {
            $tick += $event->[1];
            push @found, sprintf '%d@%d:%s:%s', $number, $tick, $1, unpack('H*', $event->[2])
                if $event->[0] =~ /^sysex_(f0|f7)$/;
        }
    }
    print join(',', @found), "\n";
}
