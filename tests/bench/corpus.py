#!/usr/bin/env python3
"""Makes an invented studio of dump files for the benchmark: tests/bench/corpus.py PROFILE DEVICES VERSIONS OUT [MOST_FILES]

The same arguments give the same bytes, names and times. A device depends only on its profile and number.

  small    single-patch dumps, 4 files per version, 0.1 to 2.2 KiB each
  studio   bank dumps (bulk message or one message per patch), 1 to 8 files per version
  samples  8-bit disk images of 1 to 64 MiB, a few blocks change per version

Layout: OUT/<device>/<YYYY-MM-DD>_<n>.syx (or .img), n being the running number of the file on that day.
"""
import calendar
import os
import random
import sys
import time

T7 = bytes(i & 0x7F for i in range(256))
NIB_HI = bytes(i >> 4 for i in range(256))
NIB_LO = bytes(i & 15 for i in range(256))
MSB = [bytes((i >> 7) << k for i in range(256)) for k in range(7)]
SYL = ("BAS LED PAD KEY ORG STR BRS BEL PLK DRM SWP CHO VOX HIT ARP FX WAH DUB ICE "
       "SUN FOG TAR LOW HI SOFT HARD WARM COLD DEEP THIN FAT GLAS WOOD TIN RAIN").split()
WORDS = ("amber basalt cobalt dune ember fjord garnet harbor indigo juniper krill lagoon marble nickel "
         "opal pewter quartz raven sable thicket umber velvet willow xenon yarrow zephyr").split()
KIND = "poly mono drum rack organ string delay reverb sampler module phase grid".split()
DAY0 = calendar.timegm((2024, 1, 8, 0, 0, 0))
SPAN = 730                                          # days


def enc_raw7(b):                                    # parameters are 0-127 already
    return b.translate(T7)


def enc_nibble(b):                                  # high nibble first
    o = bytearray(2 * len(b))
    o[0::2] = b.translate(NIB_HI)
    o[1::2] = b.translate(NIB_LO)
    return bytes(o)


def enc_packed(b):                                  # 1 byte of top bits + 7 bytes of 7 bits
    b = b + bytes(-len(b) % 7)
    g = len(b) // 7
    o = bytearray(8 * g)
    acc = 0
    for k in range(7):
        col = b[k::7]
        acc |= int.from_bytes(col.translate(MSB[k]), "big")
        o[k + 1::8] = col.translate(T7)
    o[0::8] = acc.to_bytes(g, "big")
    return bytes(o)


ENC = {"raw7": enc_raw7, "nibble": enc_nibble, "packed": enc_packed}


class Device:
    def __init__(self, profile, num):
        self.r = r = random.Random(f"1/{profile}/{num}")
        self.profile, self.num = profile, num
        self.name = f"{num:04d}-{r.choice(WORDS)}-{r.choice(KIND)}{r.randrange(1, 100)}"
        if r.random() < 0.4:
            self.maker = b"\x7d"
        else:
            self.maker = bytes((0, 0x70 | r.randrange(16), r.randrange(128)))
        self.model, self.chan = r.randrange(128), r.randrange(16)
        if profile == "small":
            self.size = r.choice((64, 96, 128, 160, 192, 256, 384, 512, 1024))
            self.count, self.banks, self.style = 1, 4, "each"
        else:
            self.size = r.choice((64, 64, 96, 128, 128, 160, 192, 256, 384))
            self.count = r.choice((16, 16, 32, 32, 64, 64, 100, 128))
            self.banks = r.choice((1, 2, 4, 4, 4, 8))
            self.style = r.choice(("bulk", "each"))
        self.encname = r.choice(("raw7", "raw7", "packed", "nibble"))
        self.enc = ENC[self.encname]
        # parameter layout: each column has a mask of the bits that ever vary
        wide = 0x7F if self.encname == "raw7" else 0xFF
        masks = r.choices((0, 0x01, 0x03, 0x0F, 0x3F, wide), (34, 12, 12, 16, 14, 12), k=self.size - 10)
        self.mask = int.from_bytes(bytes(masks), "big")
        base = r.randbytes(self.size - 10)
        self.arche = [int.from_bytes(bytes(x & wide for x in base), "big")]
        for _ in range(7):
            self.arche.append(self.arche[0] ^ (int.from_bytes(r.randbytes(self.size - 10), "big") & self.mask))
        self.init = self.patch(init=True)

    def patch(self, init=False):
        r, n = self.r, self.size - 10
        if init:
            name, body = "INIT PATCH", self.arche[0]
        else:
            name = (r.choice(SYL) + r.choice(" -.") + r.choice(SYL) + r.choice((" ", "", " 2", "+", "*")))[:10].ljust(10)
            x = int.from_bytes(r.randbytes(n), "big")
            if r.random() < 0.6:                    # close to an archetype: sparse edits
                x &= int.from_bytes(r.randbytes(n), "big")
            body = r.choice(self.arche) ^ (x & self.mask)
        data = self.enc(name.encode() + body.to_bytes(n, "big"))
        return data, sum(data)

    def one(self, bank, slot, p):
        data, s = p
        return b"\xf0%b%c%c\x01%c%c%c%b%c\xf7" % (
            self.maker, self.chan, self.model, bank, slot >> 7, slot & 127, data, -s & 127)

    def bulk(self, bank, pats):
        return b"\xf0%b%c%c\x02%c%c%c%b%c\xf7" % (
            self.maker, self.chan, self.model, bank, len(pats) >> 7, len(pats) & 127,
            b"".join(p[0] for p in pats), -sum(p[1] for p in pats) & 127)

    def first(self):
        r = self.r
        self.pats = []
        for _ in range(self.banks):
            used = self.count if r.random() < 0.7 else max(1, int(self.count * r.random()))
            self.pats.append([self.patch() for _ in range(used)] + [self.init] * (self.count - used))
        self.msgs = [[self.one(b, i, p) for i, p in enumerate(ps)] if self.style == "each" else [self.bulk(b, ps)]
                     for b, ps in enumerate(self.pats)]

    def step(self):
        """next version; returns list of (bank, slot) that changed"""
        r = self.r
        if r.random() < 0.30:                       # dumped again, nothing touched
            return []
        total = self.banks * self.count
        k = max(1, round(total * r.uniform(0, 0.05)))
        hits = sorted(r.sample(range(total), min(k, total)))
        if r.random() < 0.6 and self.banks > 1:     # a sitting usually touches one bank
            b = r.randrange(self.banks)
            hits = sorted({b * self.count + h % self.count for h in hits})
        out, dirty = [], set()
        for h in hits:
            b, s = divmod(h, self.count)
            self.pats[b][s] = self.patch()
            if self.style == "each":
                self.msgs[b][s] = self.one(b, s, self.pats[b][s])
            dirty.add(b)
            out.append((b, s))
        if self.style == "bulk":
            for b in dirty:
                self.msgs[b] = [self.bulk(b, self.pats[b])]
        return out


def days(r, n):
    """n increasing day numbers in two years (several a day once n > SPAN)"""
    return sorted(r.randrange(SPAN) for _ in range(n))


def iso(day):
    t = time.gmtime(DAY0 + day * 86400)
    return "%04d-%02d-%02d" % t[:3]


class Out:
    def __init__(self, folder, most):
        self.folder, self.most, self.files = folder, most, 0

    def full(self):
        return self.files >= self.most

    def put(self, path, data, stamp):
        with open(path, "wb") as f:
            f.write(data)
        os.utime(path, (stamp, stamp))
        self.files += 1


def sysex_device(profile, versions, o, num):
    d = Device(profile, num)
    d.first()
    folder = os.path.join(o.folder, d.name)
    os.makedirs(folder, exist_ok=True)
    perday = {}
    for v, day in enumerate(days(d.r, versions)):
        if v:
            d.step()
        sec = d.r.randrange(9 * 3600, 23 * 3600)
        for b in range(d.banks):
            if o.full():
                return
            n = perday[day] = perday.get(day, 0) + 1
            o.put(f"{folder}/{iso(day)}_{n}.syx", b"".join(d.msgs[b]), DAY0 + day * 86400 + sec + 7 * b)


def samples_device(versions, o, num):
    r = random.Random(f"1/samples/{num}")
    name = f"{num:04d}-{r.choice(WORDS)}-sampler{r.randrange(1, 100)}"
    folder = os.path.join(o.folder, name)
    os.makedirs(folder, exist_ok=True)
    mib = r.choice((1, 1, 2, 4, 8, 16, 32, 64))
    size, blk = mib << 20, 4096
    img = bytearray(size)
    pos = 65536
    img[:65536] = (b"VOL " + name.encode().ljust(60) + bytes(64)) * 512
    while pos < size:                               # extents: PCM-like, noise, or never written
        n = min(size - pos, blk * r.randrange(8, 257))
        kind = r.random()
        if kind < 0.55:                             # 16-bit words with a small high byte
            b = bytearray(n)
            b[0::2] = r.randbytes(n // 2)
            b[1::2] = r.randbytes(n // 2).translate(bytes((i & 7) if i & 128 else (256 - 1 - (i & 7)) for i in range(256)))
            img[pos:pos + n] = b
        elif kind < 0.70:
            img[pos:pos + n] = r.randbytes(n)
        pos += n
    perday = {}
    for v, day in enumerate(days(r, versions)):
        if v and r.random() > 0.30:
            for _ in range(r.randrange(1, 9)):
                p = r.randrange(size // blk) * blk
                n = min(size - p, blk * r.choice((1, 1, 2, 4, 16)))
                img[p:p + n] = r.randbytes(n)
            if r.random() < 0.10:                   # a file on the disk grew: everything after it moved
                p = r.randrange(16, size // blk) * blk
                ins = 512 * r.randrange(1, 64)
                img[p + ins:] = img[p:size - ins]
                img[p:p + ins] = r.randbytes(ins)
        if o.full():
            return
        n = perday[day] = perday.get(day, 0) + 1
        o.put(f"{folder}/{iso(day)}_{n}.img", img, DAY0 + day * 86400 + 43200)


def main():
    profile, devices, versions, folder = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), os.path.abspath(sys.argv[4])
    o = Out(folder, int(sys.argv[5]) if len(sys.argv) > 5 else sys.maxsize)
    for num in range(devices):
        if profile == "samples":
            samples_device(versions, o, num)
        else:
            sysex_device(profile, versions, o, num)


if __name__ == "__main__":
    main()
