//! Random bytes as choices: which input is made of them, and where it is damaged.

/// Bytes that are taken one after the other; all zeros once they are used up.
pub struct Choices<'a> {
    bytes: &'a [u8],
}

impl<'a> Choices<'a> {
    pub fn new(bytes: &'a [u8]) -> Choices<'a> {
        Choices { bytes }
    }

    pub fn is_over(&self) -> bool {
        self.bytes.is_empty()
    }

    /// All that is left.
    pub fn rest(self) -> &'a [u8] {
        self.bytes
    }

    pub fn byte(&mut self) -> u8 {
        match self.bytes {
            [first, rest @ ..] => {
                self.bytes = rest;
                *first
            }
            [] => 0,
        }
    }

    /// 0 to 127.
    pub fn data(&mut self) -> u8 {
        self.byte() & 0x7F
    }

    /// A number below `n`, which is at least 1 and at most 65,536.
    pub fn below(&mut self, n: usize) -> usize {
        match n {
            ..=256 => usize::from(self.byte()) % n,
            _ => (usize::from(self.byte()) << 8 | usize::from(self.byte())) % n,
        }
    }

    /// True once in `n` times.
    pub fn once_in(&mut self, n: usize) -> bool {
        self.below(n) == n - 1
    }

    pub fn one_of<'t, T>(&mut self, all: &'t [T]) -> &'t T {
        &all[self.below(all.len())]
    }

    /// The next `n` bytes, fewer at the end.
    pub fn take(&mut self, n: usize) -> &'a [u8] {
        let (taken, rest) = self.bytes.split_at(n.min(self.bytes.len()));
        self.bytes = rest;
        taken
    }

    /// `n` data bytes: all the same, counting, or as they come (again and again).
    pub fn data_bytes(&mut self, n: usize) -> Vec<u8> {
        let first = self.data();
        match self.below(4) {
            0 => vec![first; n],
            1 => (0..n)
                .map(|k| (k + usize::from(first)) as u8 & 0x7F)
                .collect(),
            2 => (0..n)
                .map(|k| 0x20 | ((k * 7 + usize::from(first)) % 0x5F) as u8)
                .collect(),
            _ => {
                let n_own = self.below(64);
                let own = self.take(n_own);
                own.iter()
                    .map(|b| b & 0x7F)
                    .chain([first])
                    .cycle()
                    .take(n)
                    .collect()
            }
        }
    }

    /// Damages `bytes` in up to three places: bits, bytes, stretches lost, doubled, put in or moved, the end cut off.
    pub fn damage(&mut self, bytes: &mut Vec<u8>) {
        const ODD: [u8; 16] = [
            0x00, 0x01, 0x02, 0x20, 0x40, 0x7E, 0x7F, 0x80, 0x81, 0x90, 0xF0, 0xF1, 0xF7, 0xF8,
            0xFE, 0xFF,
        ];
        for _ in 0..self.below(4) {
            if bytes.is_empty() {
                return;
            }
            let at = self.below(bytes.len().min(65_536));
            let n = self.below(40).min(bytes.len() - at);
            match self.below(7) {
                0 => bytes[at] ^= 1 << self.below(8),
                1 => bytes[at] = *self.one_of(&ODD),
                2 => drop(bytes.drain(at..at + n)),
                3 => {
                    let part = bytes[at..at + n].to_vec();
                    bytes.splice(at..at, part);
                }
                4 => {
                    let part = self.take(n).to_vec();
                    bytes.splice(at..at, part);
                }
                5 => bytes.truncate(at),
                _ => {
                    let part: Vec<u8> = bytes.drain(at..at + n).collect();
                    let to = self.below((bytes.len() + 1).min(65_536));
                    bytes.splice(to..to, part);
                }
            }
        }
    }

    /// Cuts `bytes` into pieces, some of them empty.
    pub fn pieces<'b>(&mut self, mut bytes: &'b [u8]) -> Vec<&'b [u8]> {
        let mut pieces = Vec::new();
        let most = *self.one_of(&[1, 2, 3, 16, 300, 5000]);
        while !bytes.is_empty() && pieces.len() < 5000 {
            let (piece, rest) = bytes.split_at(self.below(most + 1).min(bytes.len()));
            // Once the choices are used up, all that is left is the last piece.
            let (piece, rest) = match self.is_over() {
                true => (bytes, &[][..]),
                false => (piece, rest),
            };
            pieces.push(piece);
            bytes = rest;
        }
        pieces.push(bytes);
        pieces
    }
}
