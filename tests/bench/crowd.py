#!/usr/bin/env python3
"""Fifty guests at one host, four connections each, for a minute: tests/bench/crowd.py [--seconds N] [--guests N]

Each connection puts objects of its guest's own bytes, reads them back, lists, and looks for what is not its own.
Signs by the published rules of AWS Signature Version 4 with hmac and hashlib alone. Needs a release build; everything
is on the loopback. Ends with status 1 if a request failed, a byte was not the guest's own, or the host grew past 250 MB.
"""
import asyncio
import datetime
import hashlib
import hmac
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
TARGET = os.environ.get("CARGO_TARGET_DIR", os.path.join(ROOT, "target"))
FARSHELF = os.environ.get("FARSHELF", os.path.join(TARGET, "release", "farshelf"))


def argument(name, default):
    return int(sys.argv[sys.argv.index(name) + 1]) if name in sys.argv else default


SECONDS, GUESTS, CONNECTIONS = argument("--seconds", 60), argument("--guests", 50), 4


def signed(guest, method, path, query, body, host):
    """The head of a request."""
    now = datetime.datetime.now(datetime.timezone.utc).strftime("%Y%m%dT%H%M%SZ")
    digest = hashlib.sha256(body).hexdigest()
    canonical = f"{method}\n{path}\n{query}\nhost:{host}\nx-amz-content-sha256:{digest}\nx-amz-date:{now}\n\n" \
        f"host;x-amz-content-sha256;x-amz-date\n{digest}"
    scope = f"{now[:8]}/us-east-1/s3/aws4_request"
    key = ("AWS4" + guest["secret"]).encode()
    for part in scope.split("/"):
        key = hmac.new(key, part.encode(), hashlib.sha256).digest()
    text = f"AWS4-HMAC-SHA256\n{now}\n{scope}\n{hashlib.sha256(canonical.encode()).hexdigest()}"
    signature = hmac.new(key, text.encode(), hashlib.sha256).hexdigest()
    return (f"{method} {path}{'?' + query if query else ''} HTTP/1.1\r\nHost: {host}\r\nx-amz-date: {now}\r\n"
            f"x-amz-content-sha256: {digest}\r\nContent-Length: {len(body)}\r\n"
            f"Authorization: AWS4-HMAC-SHA256 Credential={guest['access']}/{scope}, "
            f"SignedHeaders=host;x-amz-content-sha256;x-amz-date, Signature={signature}\r\n\r\n").encode()


async def ask(stream, guest, method, path, host, query="", body=b""):
    reader, writer = stream
    writer.write(signed(guest, method, path, query, body, host) + body)
    await writer.drain()
    head = await reader.readuntil(b"\r\n\r\n")
    status = int(head.split()[1])
    found = re.search(rb"(?i)content-length: (\d+)", head)
    if found:
        return status, await reader.readexactly(int(found.group(1)))
    if re.search(rb"(?i)transfer-encoding: chunked", head):
        whole = b""
        while True:
            size = int((await reader.readline()).strip(), 16)
            whole += await reader.readexactly(size)
            await reader.readexactly(2)
            if not size:
                return status, whole
    return status, b""


async def visit(guest, number, address, until, tally):
    host, port = address.rsplit(":", 1)
    stream = await asyncio.open_connection(host, int(port))
    dice = random.Random(f"{guest['name']}/{number}")
    mine, turn = {}, 0
    while time.monotonic() < until:
        key = f"reels/{guest['name']}-{number}-{turn}"
        body = (guest["name"] * 4).encode() * dice.randint(1, 4000)
        status, _ = await ask(stream, guest, "PUT", f"/shelf/{key}", address, body=body)
        tally["put"] += 1
        if status != 200:
            tally["wrong"].append(f"put {status}")
        mine[key] = body
        key = dice.choice(list(mine))
        status, got = await ask(stream, guest, "GET", f"/shelf/{key}", address)
        tally["get"] += 1
        if status != 200 or got != mine[key]:
            tally["wrong"].append(f"get {status}, {len(got)} bytes")
        if turn % 20 == 0:
            status, got = await ask(stream, guest, "GET", "/shelf", address, query="list-type=2&max-keys=100")
            tally["list"] += 1
            names = re.findall(rb"<Key>reels/(.*?)-", got)
            if status != 200 or not names or any(n != guest["name"].encode() for n in names):
                tally["wrong"].append(f"list {status} {set(names)}")
            other = f"g{(int(guest['name'][1:]) + 1) % GUESTS:02}"
            status, _ = await ask(stream, guest, "GET", f"/shelf/reels/{other}-{number}-0", address)
            if status != 404:
                tally["wrong"].append(f"another guest's object: {status}")
        turn += 1
    stream[1].close()


async def crowd(guests, address):
    tally = {"put": 0, "get": 0, "list": 0, "wrong": []}
    until = time.monotonic() + SECONDS
    visits = [visit(g, n, address, until, tally) for g in guests for n in range(CONNECTIONS)]
    for result in await asyncio.gather(*visits, return_exceptions=True):
        if isinstance(result, Exception):
            tally["wrong"].append(repr(result))
    return tally


def main():
    base = tempfile.mkdtemp(prefix="crowd-", dir=os.environ.get("BENCH_DIR"))
    os.environ["XDG_STATE_HOME"] = os.path.join(base, "state")
    folder = os.path.join(base, "host")
    subprocess.run([FARSHELF, "--quiet", "host", "init", folder, "--address", "127.0.0.1:1"], check=True,
                   stdout=subprocess.DEVNULL)
    server = subprocess.Popen([FARSHELF, "--json", "host", "serve", "--folder", folder, "--listen", "127.0.0.1:0",
                               "--plain"], stdout=subprocess.PIPE, text=True)
    try:
        address = json.loads(server.stdout.readline())["listening"]
        guests = []
        for n in range(GUESTS):
            name = f"g{n:02}"
            line = subprocess.run([FARSHELF, "--quiet", "host", "invite", name, "--plain", "--folder", folder,
                                   "--address", address], check=True, capture_output=True, text=True).stdout.strip()
            token = line.split("/")[-1].split("-")[3]
            guest = {"name": name, "access": f"guest{n:04}", "secret": hashlib.sha256(name.encode()).hexdigest()}
            body = json.dumps({"token": token, "access": guest["access"], "secret": guest["secret"]}).encode()
            urllib.request.urlopen(urllib.request.Request(f"http://{address}/guests", body,
                                                          {"Content-Type": "application/json"})).read()
            guests.append(guest)
        tally = asyncio.run(crowd(guests, address))
        with open(f"/proc/{server.pid}/status") as f:
            peak = int(re.search(r"VmHWM:\s+(\d+)", f.read()).group(1)) * 1024
        requests = tally["put"] + tally["get"] + tally["list"]
        print(f"{GUESTS} guests x {CONNECTIONS} connections, {SECONDS} s: {requests} requests "
              f"({tally['put']} put, {tally['get']} read back, {tally['list']} listed), "
              f"{len(tally['wrong'])} wrong, host's peak {peak / 1e6:.0f} MB")
        for wrong in tally["wrong"][:10]:
            print("  wrong:", wrong)
        return 1 if tally["wrong"] or peak > 250e6 else 0
    finally:
        server.terminate()
        server.wait()
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
