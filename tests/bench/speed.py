#!/usr/bin/env python3
"""Measures farshelf against general tools on the same files, in turn: tests/bench/speed.py [--growth] [--small]

Prints each ratio with its target. Needs a release build (cargo build --release) and tar, find, b3sum, zstd, age and
strace. Works in $BENCH_DIR (a folder of its own under the system's temporary ones by default; it is removed). Times
are the least of ROUNDS. --small takes a tenth of the files, to try it. --growth measures at 1,000 to 1,000,000 takes
instead and writes growth.tsv and growth.svg beside this file.
"""
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
TARGET = os.environ.get("CARGO_TARGET_DIR", os.path.join(ROOT, "target"))
FARSHELF = os.environ.get("FARSHELF", os.path.join(TARGET, "release", "farshelf"))
ROUNDS = int(os.environ.get("ROUNDS", "5"))
SMALL = 10 if "--small" in sys.argv else 1
MB = 1_000_000


class Bench:
    def __init__(self, folder):
        self.dir, self.memory, self.rows = folder, {}, []
        os.environ["XDG_STATE_HOME"] = os.path.join(folder, "state")

    def path(self, *names):
        return os.path.join(self.dir, *names)

    def time(self, command):
        """Seconds of a shell line of general tools."""
        began = time.monotonic()
        subprocess.run(["bash", "-c", "set -o pipefail; " + command], check=True, stdout=subprocess.DEVNULL)
        return time.monotonic() - began

    def shelf(self, vault, *args, ok=(0, 3)):
        """Seconds of a farshelf command; its peak memory is noted under the command's name."""
        began = time.monotonic()
        child = subprocess.Popen([FARSHELF, "--vault", vault, "--quiet", *args], stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        seconds = time.monotonic() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode not in ok:
            sys.exit(f"farshelf {' '.join(args)} ended with {child.returncode}")
        self.memory[args[0]] = max(self.memory.get(args[0], 0), used.ru_maxrss * 1024)
        return seconds

    def new_vault(self, name):
        vault = self.path(name)
        shutil.rmtree(vault, ignore_errors=True)
        self.shelf(vault, "create", "--place", "studio")
        return vault

    def row(self, what, value, target, unit="x", at_least=False):
        holds = value >= target if at_least else value <= target
        sign = ">=" if at_least else "<="
        self.rows.append(holds)
        print(f"{what:58} {value:10.2f} {unit:6} target {sign} {target:<6} {'holds' if holds else 'FALLS SHORT'}", flush=True)


def size_of(folder):
    return sum(os.path.getsize(os.path.join(d, f)) for d, _, names in os.walk(folder) for f in names)


def drop_cached(paths):
    for path in paths:
        fd = os.open(path, os.O_RDONLY)
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(fd)


def reels(vault):
    folder = os.path.join(vault, "reels")
    return [os.path.join(folder, name) for name in sorted(os.listdir(folder))]


def corpus(b, profile, devices, versions, most=10**9):
    folder = b.path(profile)
    subprocess.run([sys.executable, os.path.join(HERE, "corpus.py"), profile, str(devices), str(versions), folder,
                    str(most)], check=True)
    return folder


def least(rounds, *works):
    """The least time of each work, done in turn."""
    best = [math.inf] * len(works)
    for _ in range(rounds):
        best = [min(old, work()) for old, work in zip(best, works)]
    return best


def keep_ratio(b, folder, target):
    def new_keep():
        vault = b.new_vault("vault")
        return b.shelf(vault, "keep", "--by-folder", "--add-devices", folder)
    name = os.path.basename(folder)
    tar, keep = least(ROUNDS, lambda: b.time(f"tar -cf - {folder} 2>/dev/null | cat >/dev/null"), new_keep)
    b.row(f"keep {name} / tar | cat", keep / tar, target)
    return b.path("vault")


def second_keep_ratio(b, vault, folder):
    find, keep = least(ROUNDS, lambda: b.time(f"find {folder} -type f -printf '%p %s %T@ %i\\n'"),
                       lambda: b.shelf(vault, "keep", "--by-folder", folder))
    b.row(f"second keep {os.path.basename(folder)} / find", keep / find, 4.0)


def fixity_ratio(b, vault):
    def b3sum():
        drop_cached(reels(vault))
        return b.time("b3sum --num-threads 1 " + " ".join(reels(vault)))
    other, ours = least(ROUNDS, b3sum, lambda: b.shelf(vault, "fixity", "local"))
    b.row("rate of fixity / b3sum, 1 thread", other / ours, 0.7, at_least=True)


def recipient(vault):
    with open(os.path.join(vault, "copying.toml")) as f:
        return next(word for word in f.read().replace('"', " ").split() if word.startswith("age1"))


def mirror_ratio(b, vault):
    """Mirrors to a new folder each time; gives the last one."""
    os.makedirs(b.path("sealed"), exist_ok=True)
    rounds = [0]

    def mirror():
        rounds[0] += 1
        name, shelf = f"shelf-{rounds[0]}", b.path("shelf")
        shutil.rmtree(shelf, ignore_errors=True)
        b.shelf(vault, "shelf", "add", name, shelf, "--place", "loft", "--separate")
        return b.shelf(vault, "mirror", name)

    mirror()  # closes the open reel, so that both sides have the same work
    who = recipient(vault)
    tools, ours = least(ROUNDS, lambda: b.time("; ".join(
        f"zstd -q -3 -c {r} | age -r {who} > {b.path('sealed', os.path.basename(r))}" for r in reels(vault))), mirror)
    b.row("mirror to a folder / zstd -3 | age", ours / tools, 1.5)
    return b.path("shelf")


def rescue_ratio(b, vault, shelf):
    key = os.path.join(vault, "key.txt")
    objects = [os.path.join(shelf, "reels", n) for n in sorted(os.listdir(os.path.join(shelf, "reels")))]

    def rescue():
        shutil.rmtree(b.path("rescued"), ignore_errors=True)
        return b.shelf(b.path("rescued"), "rescue", shelf, "--key", key, "--to", b.path("rescued"))

    def tools():
        shutil.rmtree(b.path("untarred"), ignore_errors=True)
        os.makedirs(b.path("untarred"))
        return b.time(" && ".join(f"age -d -i {key} {o} | zstd -q -d -c | tar -xf - -C {b.path('untarred')}" for o in objects)
                      + f" && sync -f {b.path('untarred')}")

    reindex = b.shelf(vault, "reindex")
    by_hand, ours = least(min(ROUNDS, 3), tools, rescue)
    b.row("rescue / age -d | zstd -d | tar -x + sync, and reindex", ours / (by_hand + reindex), 1.5)


def syncs_of_a_keep(b, folder):
    vault, counts = b.new_vault("vault"), b.path("strace")
    subprocess.run(["strace", "-f", "-c", "-o", counts, "-e", "trace=fsync,fdatasync", FARSHELF, "--vault", vault, "--quiet",
                    "keep", "--by-folder", "--add-devices", folder], check=True, stdout=subprocess.DEVNULL)
    with open(counts) as f:
        calls = sum(int(line.split()[3]) for line in f if line.split()[-1:] in (["fsync"], ["fdatasync"]))
    n = len(reels(vault))
    b.row(f"fsync + fdatasync of keep {os.path.basename(folder)}, {n} reels", calls, 3 * n + 10, "calls")


def stored(b, folder, target):
    vault, shelf = b.new_vault("vault"), b.path("stored")
    shutil.rmtree(shelf, ignore_errors=True)
    b.shelf(vault, "keep", "--by-folder", "--add-devices", folder)
    b.shelf(vault, "shelf", "add", "barn", shelf, "--place", "barn", "--separate")
    b.shelf(vault, "mirror")
    b.row(f"bytes at a shelf / bytes of {os.path.basename(folder)}", 100 * size_of(os.path.join(shelf, "reels")) / size_of(folder), target, "%")
    shutil.rmtree(shelf)


def filled(b, takes):
    """A vault of so many takes, 1,000 for each device, filled by the library; then one real dump of a new device."""
    vault = b.path(f"filled-{takes}")
    subprocess.run(["cargo", "bench", "--quiet", "--bench", "health", "--", str(takes // 1000), "1000", vault], cwd=ROOT,
                   check=True, stdout=subprocess.DEVNULL)
    catalogue = sum(os.path.getsize(os.path.join(vault, n)) for n in os.listdir(vault) if n.startswith("catalogue.sqlite"))
    b.shelf(vault, "device", "add", "real")
    b.shelf(vault, "keep", "--device", "real", one_dump(b, 0))
    return vault, catalogue / takes


def one_dump(b, n):
    path = b.path(f"one-{n}.syx")
    with open(path, "wb") as f:
        f.write(b"\xf0\x7d\x01\x02\x03\x04" + (b"%09d" % n) * 40 + b"\xf7")
    os.utime(path, (1_700_000_000 + 3600 * n,) * 2)
    return path


def one_take(b, vault):
    """Least milliseconds of keep, history, show, recall, find and health in that vault."""
    n = [0]

    def keep():
        n[0] += 1
        return b.shelf(vault, "keep", "--device", "real", one_dump(b, n[0]))

    works = [keep, lambda: b.shelf(vault, "history", "synth-0000"), lambda: b.shelf(vault, "show", "real@1"),
             lambda: b.shelf(vault, "recall", "real@1", "--to", b.path("out.syx"), "--force"),
             lambda: b.shelf(vault, "find", "synth-0000"), lambda: b.shelf(vault, "health")]
    return dict(zip(["keep", "history", "show", "recall", "find", "health"], (1000 * t for t in least(ROUNDS, *works))))


def ratios(b):
    small = corpus(b, "small", 100 // SMALL, 250)
    vault = keep_ratio(b, small, 2.5)
    second_keep_ratio(b, vault, small)
    syncs_of_a_keep(b, small)
    studio = corpus(b, "studio", 600 // SMALL, 55, 100_000 // SMALL)
    vault = keep_ratio(b, studio, 2.0)
    fixity_ratio(b, vault)
    shelf = mirror_ratio(b, vault)
    b.row("bytes at a shelf / bytes of studio", 100 * size_of(os.path.join(shelf, "reels")) / size_of(studio), 3.0, "%")
    rescue_ratio(b, vault, shelf)
    syncs_of_a_keep(b, studio)
    stored(b, corpus(b, "samples", 4, 8), 11.0)
    few, _ = filled(b, 1_000)
    many, bytes_each = filled(b, 1_000_000 // SMALL)
    few, many = one_take(b, few), one_take(b, many)
    for what in ("history", "show", "recall"):
        b.row(f"{what} of one in {1_000_000 // SMALL:,} takes", many[what], 30.0, "ms")
    b.row("one more dump in that / in 1,000 takes", many["keep"] / few["keep"], 1.5)
    b.row("catalogue bytes per take", bytes_each, 300, "bytes")
    for command, peak in sorted(b.memory.items()):
        b.row(f"peak memory of {command}", peak / MB, 200, "MB")
    print(f"{sum(b.rows)} of {len(b.rows)} hold; load {os.getloadavg()[0]:.1f}")


def growth(b):
    columns = ["keep_all_s", "second_keep_s", "mirror_s", "fixity_s", "keep_one_ms", "history_ms", "show_ms", "recall_ms", "find_ms",
               "health_ms", "catalogue_bytes_per_take"]
    table = []
    for takes in (1_000, 10_000, 100_000, 1_000_000):
        row = {}
        if takes <= 100_000:
            # With so many real files; a million would take longer to make than to measure.
            folder = corpus(b, "small", takes // 1000, 250)
            vault = b.new_vault("vault")
            row["keep_all_s"] = b.shelf(vault, "keep", "--by-folder", "--add-devices", folder)
            row["second_keep_s"] = b.shelf(vault, "keep", "--by-folder", folder)
            b.shelf(vault, "shelf", "add", f"shelf-{takes}", b.path(f"shelf-{takes}"), "--place", "loft", "--separate")
            row["mirror_s"] = b.shelf(vault, "mirror")
            row["fixity_s"] = b.shelf(vault, "fixity", "local")
            shutil.rmtree(folder)
        vault, row["catalogue_bytes_per_take"] = filled(b, takes)
        row.update({f"{k}_ms": v for k, v in one_take(b, vault).items() if k != "keep"})
        row["keep_one_ms"] = one_take(b, vault)["keep"]
        shutil.rmtree(vault)
        table.append((takes, row))
        print(takes, {k: round(v, 3) for k, v in row.items()}, flush=True)
    with open(os.path.join(HERE, "growth.tsv"), "w") as f:
        f.write("\t".join(["takes"] + columns) + "\n")
        for takes, row in table:
            f.write("\t".join([str(takes)] + [f"{row[c]:.3f}" if c in row else "-" for c in columns]) + "\n")
    with open(os.path.join(HERE, "growth.svg"), "w") as f:
        f.write(picture(columns[:-1], table))


def picture(columns, table):
    """Both axes logarithmic: takes to the right, milliseconds upward."""
    colours = ["#1b6ca8", "#5aa9d6", "#2e7d32", "#8bc34a", "#c62828", "#ef6c00", "#6a1b9a", "#ad1457", "#5d4037", "#546e7a"]

    def x(takes):
        return 70 + 150 * (math.log10(takes) - 3)

    def y(ms):
        return 420 - 75 * math.log10(max(ms, 1))

    out = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="-20 0 740 480" font-family="sans-serif" font-size="12">',
           '<rect x="-20" width="740" height="480" fill="white"/>', '<text x="70" y="22">time of commands as a vault grows</text>']
    for power in range(6):
        out.append(f'<path d="M70 {y(10**power):.0f}H520" stroke="#ddd"/><text x="64" y="{y(10**power) + 4:.0f}" text-anchor="end">{10**power:,} ms</text>')
    for takes, _ in table:
        out.append(f'<path d="M{x(takes):.0f} 45V420" stroke="#ddd"/><text x="{x(takes):.0f}" y="438" text-anchor="middle">{takes:,}</text>')
    out.append('<text x="295" y="462" text-anchor="middle">takes</text>')
    for i, column in enumerate(columns):
        scale = 1000 if column.endswith("_s") else 1
        points = [(x(t), y(scale * row[column])) for t, row in table if column in row]
        out.append(f'<polyline fill="none" stroke="{colours[i]}" stroke-width="2" points="{" ".join(f"{a:.0f},{c:.1f}" for a, c in points)}"/>')
        out.append(f'<text x="545" y="{60 + 20 * i}" fill="{colours[i]}">{column.rsplit("_", 1)[0].replace("_", " ")}</text>')
    return "\n".join(out + ["</svg>", ""])


def main():
    home = os.environ.get("BENCH_DIR")
    with tempfile.TemporaryDirectory(prefix="farshelf-speed-", dir=home) as folder:
        (growth if "--growth" in sys.argv else ratios)(Bench(folder))


if __name__ == "__main__":
    main()
