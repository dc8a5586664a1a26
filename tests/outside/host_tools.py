"""The AWS command line and s3cmd against a host: put, list, get, and a refusal to delete."""
import os, subprocess, tempfile
from pathlib import Path

URL, CA, ROUND = os.environ["HOST_URL"], os.environ["HOST_CA"], os.environ["HOST_ROUND"]
ACCESS, SECRET = os.environ["HOST_LENA"].split(":")
work = Path(tempfile.mkdtemp())
small, big, back = work / "small", work / "big", work / "back"
small.write_bytes(os.urandom(100_000))
big.write_bytes(os.urandom(9_000_000 if ROUND == "a" else 17_000_000)[:9_000_000])


def run(*words, fails=False, env={}):
    done = subprocess.run(words, capture_output=True, text=True, env={**os.environ, **env})
    said = done.stdout + done.stderr
    assert (done.returncode != 0) == fails, (words, done.returncode, said)
    return said


aws_env = {"AWS_ACCESS_KEY_ID": ACCESS, "AWS_SECRET_ACCESS_KEY": SECRET, "AWS_DEFAULT_REGION": "us-east-1",
           "AWS_EC2_METADATA_DISABLED": "true", "AWS_MAX_ATTEMPTS": "1"}
if CA:
    aws_env["AWS_CA_BUNDLE"] = CA


def aws(*words, fails=False):
    return run("aws", "--endpoint-url", URL, *words, fails=fails, env=aws_env)


for name, file in [("small", small), ("big", big)]:
    aws("s3", "cp", str(file), f"s3://shelf/reels/aws-{ROUND}-{name}")
    aws("s3", "cp", f"s3://shelf/reels/aws-{ROUND}-{name}", str(back))
    assert back.read_bytes() == file.read_bytes(), name
assert f"aws-{ROUND}-big" in aws("s3", "ls", "s3://shelf/reels/")
assert "PRE reels/" in aws("s3", "ls", "s3://shelf")
assert "only adds" in aws("s3", "rm", f"s3://shelf/reels/aws-{ROUND}-small", fails=True)
assert "PreconditionFailed" in aws("s3api", "put-object", "--bucket", "shelf", "--key", f"reels/aws-{ROUND}-small",
                                   "--body", str(small), "--if-none-match", "*", fails=True)

settings = work / "s3cfg"
place = URL.split("//")[1]
settings.write_text(f"""[default]
access_key = {ACCESS}
secret_key = {SECRET}
host_base = {place}
host_bucket = {place}
bucket_location = us-east-1
use_https = {bool(CA)}
ca_certs_file = {CA}
multipart_chunk_size_mb = 5
max_retries = 1
""")


def s3cmd(*words, fails=False):
    return run("s3cmd", "-c", str(settings), *words, fails=fails)


for name, file in [("small", small), ("big", big)]:
    s3cmd("put", str(file), f"s3://shelf/reels/s3cmd-{ROUND}-{name}")
    s3cmd("get", "--force", f"s3://shelf/reels/s3cmd-{ROUND}-{name}", str(back))
    assert back.read_bytes() == file.read_bytes(), name
assert f"s3cmd-{ROUND}-small" in s3cmd("ls", "s3://shelf/reels/")
assert "s3://shelf" in s3cmd("ls")
assert "only adds" in s3cmd("del", f"s3://shelf/reels/s3cmd-{ROUND}-small", fails=True)
