"""boto3 against a host: everything a client may do, and how everything else is refused."""
import hashlib, io, os, base64
import boto3
from boto3.s3.transfer import TransferConfig
from botocore.config import Config
from botocore.exceptions import ClientError

URL, CA, ROUND = os.environ["HOST_URL"], os.environ["HOST_CA"], os.environ["HOST_ROUND"]
B = "shelf"


def client(who="HOST_LENA", secret=None, region="us-east-1"):
    access, own = os.environ[who].split(":")
    return boto3.client(
        "s3", endpoint_url=URL, region_name=region, aws_access_key_id=access, aws_secret_access_key=secret or own,
        verify=CA or None, config=Config(retries={"max_attempts": 1}, s3={"addressing_style": "path"}))


def refused(status, code, call, **args):
    try:
        call(Bucket=B, **args)
    except ClientError as e:
        got = (e.response["ResponseMetadata"]["HTTPStatusCode"], e.response["Error"]["Code"])
        # An answer to HEAD has no body, so its code is the status.
        assert got == (status, code) or (got[0] == status and got[1] == str(status)), (got, status, code)
        return
    raise AssertionError(f"{call} was not refused with {code}")


c = client()
assert [b["Name"] for b in c.list_buckets()["Buckets"]] == [B]
c.head_bucket(Bucket=B)
assert c.get_bucket_location(Bucket=B)["LocationConstraint"] in (None, "us-east-1")

# Objects come whole, under every checksum that boto3 can send, and come back as they went.
body = os.urandom(1_000_000)
a = f"reels/{ROUND}-a"
put = c.put_object(Bucket=B, Key=a, Body=body, IfNoneMatch="*")
assert put["ChecksumSHA256"] == base64.b64encode(hashlib.sha256(body).digest()).decode()
for algorithm in ["CRC32", "SHA1", "SHA256"]:
    c.put_object(Bucket=B, Key=f"keys/{ROUND}-{algorithm}", Body=b"abc", ChecksumAlgorithm=algorithm)
c.put_object(Bucket=B, Key=f"keys/{ROUND}-md5", Body=b"abc", ContentMD5=base64.b64encode(hashlib.md5(b"abc").digest()).decode())
assert c.head_object(Bucket=B, Key=f"keys/{ROUND}-md5")["ETag"].strip('"') == hashlib.md5(b"abc").hexdigest()
c.put_object(Bucket=B, Key=f"keys/{ROUND}-empty", Body=b"")
assert c.get_object(Bucket=B, Key=f"keys/{ROUND}-empty")["Body"].read() == b""
got = c.get_object(Bucket=B, Key=a, ChecksumMode="ENABLED")
assert got["ChecksumSHA256"] == put["ChecksumSHA256"] and got["Body"].read() == body
head = c.head_object(Bucket=B, Key=a)
assert head["ContentLength"] == len(body) and head["ETag"] == put["ETag"] == got["ETag"] and "-" in head["ETag"]

# Ranges and conditions.
for asked, part in [("bytes=0-9", body[:10]), ("bytes=5-5", body[5:6]), ("bytes=-7", body[-7:]),
                    ("bytes=999990-", body[999990:]), ("bytes=999990-2000000", body[999990:])]:
    r = c.get_object(Bucket=B, Key=a, Range=asked)
    assert r["ResponseMetadata"]["HTTPStatusCode"] == 206 and r["Body"].read() == part, asked
    assert r["ContentRange"].endswith("/1000000")
refused(416, "InvalidRange", c.get_object, Key=a, Range="bytes=1000000-")
refused(304, "304", c.get_object, Key=a, IfNoneMatch=put["ETag"])
refused(412, "PreconditionFailed", c.get_object, Key=a, IfMatch='"other"')
c.get_object(Bucket=B, Key=a, IfMatch=put["ETag"])
refused(404, "NoSuchKey", c.get_object, Key="reels/none")
refused(404, "404", c.head_object, Key="reels/none")

# Only adding.
refused(412, "PreconditionFailed", c.put_object, Key=a, Body=body, IfNoneMatch="*")
c.put_object(Bucket=B, Key=a, Body=body)
refused(403, "AccessDenied", c.put_object, Key=a, Body=b"other")
refused(403, "AccessDenied", c.delete_object, Key=a)
refused(403, "AccessDenied", c.delete_objects, Delete={"Objects": [{"Key": a}]})
refused(403, "AccessDenied", c.copy_object, Key=a, CopySource={"Bucket": B, "Key": a})
refused(403, "AccessDenied", c.delete_bucket)
refused(403, "AccessDenied", c.put_bucket_versioning, VersioningConfiguration={"Status": "Suspended"})
refused(403, "AccessDenied", c.get_bucket_acl)
refused(400, "InvalidArgument", c.put_object, Key="elsewhere/a", Body=b"x")
refused(403, "AccessDenied", c.put_object, Key="report.json", Body=b"x")
for other in ["lena", "omar"]:
    try:
        c.list_objects_v2(Bucket=other)
        raise AssertionError(other)
    except ClientError as e:
        assert e.response["Error"]["Code"] == "NoSuchBucket", e

# Lies about a body.
wrong = base64.b64encode(bytes(32)).decode()
refused(400, "BadDigest", c.put_object, Key="reels/x", Body=b"abc", ChecksumSHA256=wrong)
refused(400, "BadDigest", c.put_object, Key="reels/x", Body=b"abc", ContentMD5=base64.b64encode(bytes(16)).decode())
refused(404, "NoSuchKey", c.get_object, Key="reels/x")

# Secrets and regions.
refused(403, "SignatureDoesNotMatch", client(secret="ff" * 16).list_objects_v2)
client(region="eu-nowhere-9").list_objects_v2(Bucket=B)

# Listing, both versions, page by page.
names = sorted(f"keys/list-{n:03}" for n in range(25))
for name in names:
    c.put_object(Bucket=B, Key=name, Body=b"x")
for version in ["list_objects", "list_objects_v2"]:
    pages = c.get_paginator(version).paginate(Bucket=B, Prefix="keys/list-", PaginationConfig={"PageSize": 7})
    seen = [[o["Key"] for o in page["Contents"]] for page in pages]
    assert sum(seen, []) == names and [len(s) for s in seen] == [7, 7, 7, 4], (version, seen)
    call = getattr(c, version)
    top = call(Bucket=B, Delimiter="/")
    assert [p["Prefix"] for p in top["CommonPrefixes"]] == ["keys/", "reels/"], top
    assert "report.json" not in [o["Key"] for o in top.get("Contents", [])]
    pages = c.get_paginator(version).paginate(Bucket=B, Delimiter="/", PaginationConfig={"PageSize": 1})
    assert [p["Prefix"] for page in pages for p in page.get("CommonPrefixes", [])] == ["keys/", "reels/"]
    assert call(Bucket=B, Prefix="none/").get("Contents") is None
    assert call(Bucket=B, MaxKeys=0).get("Contents") is None
after = c.list_objects_v2(Bucket=B, Prefix="keys/list-", StartAfter="keys/list-020")
assert [o["Key"] for o in after["Contents"]] == names[21:]
after = c.list_objects(Bucket=B, Prefix="keys/list-", Marker="keys/list-020")
assert [o["Key"] for o in after["Contents"]] == names[21:]

# In parts, with a completion that fails at first and one that is asked for twice.
big = os.urandom(11_000_000)
key = f"reels/{ROUND}-big"
c.upload_fileobj(io.BytesIO(big), B, key, Config=TransferConfig(multipart_threshold=5 << 20, multipart_chunksize=5 << 20))
out = io.BytesIO()
c.download_fileobj(B, key, out, Config=TransferConfig(multipart_threshold=5 << 20, multipart_chunksize=5 << 20))
assert out.getvalue() == big
key = f"reels/{ROUND}-parts"
up = c.create_multipart_upload(Bucket=B, Key=key)["UploadId"]
parts = [{"PartNumber": n, "ETag": c.upload_part(Bucket=B, Key=key, UploadId=up, PartNumber=n, Body=bytes([n]) * 1000)["ETag"]} for n in (1, 2, 3)]
refused(404, "NoSuchKey", c.get_object, Key=key)
bad = parts[:2] + [{"PartNumber": 3, "ETag": '"00"'}]
refused(400, "InvalidPart", c.complete_multipart_upload, Key=key, UploadId=up, MultipartUpload={"Parts": bad})
refused(400, "InvalidPartOrder", c.complete_multipart_upload, Key=key, UploadId=up, MultipartUpload={"Parts": parts[::-1]})
first = c.complete_multipart_upload(Bucket=B, Key=key, UploadId=up, MultipartUpload={"Parts": parts})
again = c.complete_multipart_upload(Bucket=B, Key=key, UploadId=up, MultipartUpload={"Parts": parts})
assert first["ETag"] == again["ETag"]
assert c.get_object(Bucket=B, Key=key)["Body"].read() == b"\1" * 1000 + b"\2" * 1000 + b"\3" * 1000
up = c.create_multipart_upload(Bucket=B, Key=key)["UploadId"]
etag = c.upload_part(Bucket=B, Key=key, UploadId=up, PartNumber=1, Body=b"other")["ETag"]
refused(403, "AccessDenied", c.complete_multipart_upload, Key=key, UploadId=up, MultipartUpload={"Parts": [{"PartNumber": 1, "ETag": etag}]})
c.abort_multipart_upload(Bucket=B, Key=key, UploadId=up)
refused(404, "NoSuchUpload", c.abort_multipart_upload, Key=key, UploadId=up)

# Over quota, in one piece and in parts.
refused(403, "QuotaExceeded", c.put_object, Key="reels/over", Body=bytes(41_000_000))
up = c.create_multipart_upload(Bucket=B, Key="reels/over")["UploadId"]
refused(403, "QuotaExceeded", c.upload_part, Key="reels/over", UploadId=up, PartNumber=1, Body=bytes(41_000_000))
c.abort_multipart_upload(Bucket=B, Key="reels/over", UploadId=up)

# The other guest sees nothing of all this.
assert client("HOST_OMAR").list_objects_v2(Bucket=B)["KeyCount"] == 0
assert client("HOST_OMAR").get_object(Bucket=B, Key="report.json")["Body"].read().startswith(b'{"checked_at":null,"objects":0')
