-- Reels whose ledger was told again in later ones, because lines of it do not read in any copy. A fact.
CREATE TABLE retold (
  reel INTEGER PRIMARY KEY
) STRICT;
