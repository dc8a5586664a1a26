#!/usr/bin/env python3
"""Measures mirroring to a host against general tools on the same encrypted bytes: tests/bench/far.py [--mib N]

Needs a release build, curl, and nginx with its DAV module (Debian package nginx). Everything listens on the loopback.
Works in a folder of its own under $BENCH_DIR or the system's temporary ones; it is removed. In one run, each ROUNDS
times in turn, the best counts:
  curl -T to nginx, which does not sync; curl -T to a sink that syncs every object (write, fsync, rename, two folders);
  farshelf mirror to farshelf host serve --plain, sealing every reel anew, and the same from a folder shelf beside it.
Prints rates, ratios with their targets, and peak memory of both sides.
"""
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
TARGET = os.environ.get("CARGO_TARGET_DIR", os.path.join(ROOT, "target"))
FARSHELF = os.environ.get("FARSHELF", os.path.join(TARGET, "release", "farshelf"))
ROUNDS = int(os.environ.get("ROUNDS", "3"))
MIB = int(sys.argv[sys.argv.index("--mib") + 1]) if "--mib" in sys.argv else 1024


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


class Sink(threading.Thread):
    """Takes PUTs and answers only when the object and its folder are on the disk."""

    def __init__(self, folder):
        super().__init__(daemon=True)
        self.folder, self.listener = folder, socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]

    def run(self):
        while True:
            connection, _ = self.listener.accept()
            threading.Thread(target=self.serve, args=(connection,), daemon=True).start()

    def serve(self, connection):
        buffer, held = bytearray(1 << 20), b""
        while True:
            while b"\r\n\r\n" not in held:
                more = connection.recv(65536)
                if not more:
                    return
                held += more
            head, _, held = held.partition(b"\r\n\r\n")
            length = int(re.search(rb"(?i)content-length: (\d+)", head).group(1))
            name = head.split()[1].decode().strip("/").replace("/", "_")
            if re.search(rb"(?i)expect: 100-continue", head):
                connection.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
            draft = os.path.join(self.folder, ".draft-" + name)
            with open(draft, "wb", buffering=0) as out:
                out.write(held)
                left, held = length - len(held), b""
                while left:
                    n = connection.recv_into(buffer, min(left, len(buffer)))
                    out.write(memoryview(buffer)[:n])
                    left -= n
                os.fsync(out.fileno())
            folder = os.open(self.folder, os.O_RDONLY)
            os.fsync(folder)
            os.rename(draft, os.path.join(self.folder, name))
            os.fsync(folder)
            os.close(folder)
            connection.sendall(b"HTTP/1.1 201 Created\r\nContent-Length: 0\r\n\r\n")


def nginx(folder):
    port, data = free_port(), os.path.join(folder, "dav")
    os.makedirs(os.path.join(folder, "tmp"), exist_ok=True)
    os.makedirs(data, exist_ok=True)
    config = os.path.join(folder, "nginx.conf")
    with open(config, "w") as f:
        f.write(f"""daemon off; pid {folder}/pid; error_log {folder}/error.log; worker_processes 2;
{"user root;" if os.getuid() == 0 else ""}
events {{ worker_connections 64; }}
http {{ access_log off; client_body_temp_path {folder}/tmp; proxy_temp_path {folder}/tmp; fastcgi_temp_path {folder}/tmp;
 uwsgi_temp_path {folder}/tmp; scgi_temp_path {folder}/tmp;
 server {{ listen 127.0.0.1:{port}; root {data}; client_max_body_size 0; dav_methods PUT; create_full_put_path on; }} }}
""")
    server = subprocess.Popen(["nginx", "-p", folder, "-c", config], stderr=subprocess.DEVNULL)
    time.sleep(1)
    return server, port, data


def run(vault, *args, ok=(0, 3)):
    began = time.monotonic()
    child = subprocess.Popen([FARSHELF, "--vault", vault, "--quiet", *args], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    seconds = time.monotonic() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in ok:
        sys.exit(f"farshelf {' '.join(args)} ended with {child.returncode}")
    return seconds, used.ru_maxrss * 1024


def host(folder, name):
    """A host with one guest: its process, the invite line."""
    subprocess.run([FARSHELF, "--quiet", "host", "init", folder, "--address", "127.0.0.1:1"], check=True,
                   stdout=subprocess.DEVNULL)
    server = subprocess.Popen([FARSHELF, "--json", "host", "serve", "--folder", folder, "--listen", "127.0.0.1:0",
                               "--plain"], stdout=subprocess.PIPE, text=True)
    listening = json.loads(server.stdout.readline())["listening"]
    invite = subprocess.run([FARSHELF, "--quiet", "host", "invite", name, "--plain", "--folder", folder, "--address",
                             listening], check=True, capture_output=True, text=True).stdout.strip()
    return server, invite


def peak(pid):
    with open(f"/proc/{pid}/status") as f:
        return int(re.search(r"VmHWM:\s+(\d+)", f.read()).group(1)) * 1024


def stop(server):
    server.terminate()
    server.wait()


def sealed(shelf):
    reels = os.path.join(shelf, "reels")
    return [os.path.join(reels, n) for n in sorted(os.listdir(reels)) if not n.startswith(".")]


def upload(paths, url):
    began = time.monotonic()
    for path in paths:
        subprocess.run(["curl", "-sf", "-T", path, url + os.path.basename(path), "-o", "/dev/null"], check=True)
    return time.monotonic() - began


def main():
    base = tempfile.mkdtemp(prefix="far-", dir=os.environ.get("BENCH_DIR"))
    os.environ["XDG_STATE_HOME"] = os.path.join(base, "state")
    servers = []
    try:
        vault, files = os.path.join(base, "vault"), os.path.join(base, "files")
        os.makedirs(files)
        for n in range(MIB // 16):
            with open(os.path.join(files, f"{n:04}.img"), "wb") as f:
                f.write(os.urandom(16 << 20))
        run(vault, "create", "--place", "studio")
        run(vault, "device", "add", "sampler")
        run(vault, "keep", "--device", "sampler", "--loose", files)
        shutil.rmtree(files)
        near = os.path.join(base, "near")
        run(vault, "shelf", "add", "near", near, "--place", "studio", "--separate")
        run(vault, "mirror", "near")
        paths = sealed(near)
        size = sum(os.path.getsize(p) for p in paths)
        server, port, data = nginx(os.path.join(base, "nginx"))
        servers.append(server)
        sink = Sink(os.path.join(base, "sink"))
        os.makedirs(sink.folder)
        sink.start()
        best, memory = {}, {"mirror": 0, "host": 0}

        def least(what, seconds):
            best[what] = min(seconds, best.get(what, seconds))

        for turn in range(ROUNDS):
            least("nginx", upload(paths, f"http://127.0.0.1:{port}/{turn}/"))
            shutil.rmtree(os.path.join(data, str(turn)))
            least("sink", upload(paths, f"http://127.0.0.1:{sink.port}/{turn}/"))
            for name in os.listdir(sink.folder):
                os.remove(os.path.join(sink.folder, name))
            for kind in ("anew", "beside"):
                held = os.path.join(base, f"host-{kind}-{turn}")
                server, invite = host(held, "guest")
                servers.append(server)
                name = f"far-{kind}-{turn}"
                run(vault, "shelf", "add", name, invite, "--place", "elsewhere")
                if kind == "anew":
                    os.rename(near, near + ".away")
                seconds, used = run(vault, "mirror", name)
                if kind == "anew":
                    os.rename(near + ".away", near)
                arrived = sum(os.path.getsize(p) for p in sealed(os.path.join(held, "shelves", "guest")))
                if arrived < size * 0.99:
                    sys.exit(f"only {arrived} of {size} bytes arrived")
                least(kind, seconds)
                memory["mirror"] = max(memory["mirror"], used)
                memory["host"] = max(memory["host"], peak(server.pid))
                stop(server)
                run(vault, "shelf", "drop", name, "--confirm", name)
                shutil.rmtree(held)
        rate = {what: size / seconds for what, seconds in best.items()}
        print(f"{size / 1e6:.0f} MB encrypted in {len(paths)} reels, load {os.getloadavg()[0]:.1f}")
        for what, words in [("nginx", "curl -T to nginx"), ("sink", "curl -T to a sink that syncs"),
                            ("anew", "mirror to a host, sealed anew"), ("beside", "mirror to a host, from a folder shelf")]:
            print(f"{words:40} {rate[what] / 1e6:8.0f} MB/s")
        for kind in ("anew", "beside"):
            for rival, target in (("nginx", 0.35), ("sink", 0.8)):
                ratio = rate[kind] / rate[rival]
                print(f"{kind:8} / {rival:8} {ratio:5.2f}  target {target}  {'holds' if ratio >= target else 'FALLS SHORT'}")
        for side, used in memory.items():
            print(f"peak memory {side:8} {used / 1e6:5.0f} MB  target 250  {'holds' if used < 250e6 else 'FALLS SHORT'}")
    finally:
        for server in servers:
            server.kill()
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    main()
