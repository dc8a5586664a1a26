-- Reels whose ledger was told again in later ones, because lines of it do not read in any copy. A fact.
CREATE TABLE retold (
  reel INTEGER PRIMARY KEY
) STRICT;

-- Which takes a shelf lacks is asked by reel.
CREATE INDEX take_reel ON take (reel);
CREATE INDEX piece_reel ON piece (reel);
