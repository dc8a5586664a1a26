//! The operations of the S3 protocol that a host knows; everything else is refused before it is looked at.

use std::sync::Arc;

use async_trait::async_trait;
use s3s::access::{S3Access, S3AccessContext};
use s3s::auth::{S3Auth, SecretKey};
use s3s::dto::*;
use s3s::path::S3Path;
use s3s::{S3, S3Error, S3ErrorCode, S3Request, S3Response, S3Result};

use super::refusals::{ENDED, failed, only_adds};
use super::{get, list, multipart, put};
use crate::host::house::{House, Lodger};
use crate::lending::{BUCKET, REGION};

/// The S3 face of a house.
#[derive(Debug, Clone)]
pub(super) struct Face(pub(super) Arc<House>);

/// What a guest can do.
const ALLOWED: &[&str] = &[
    "AbortMultipartUpload",
    "CompleteMultipartUpload",
    "CreateMultipartUpload",
    "GetBucketLocation",
    "GetObject",
    "HeadBucket",
    "HeadObject",
    "ListBuckets",
    "ListObjects",
    "ListObjectsV2",
    "PutObject",
    "UploadPart",
];

#[async_trait]
impl S3Auth for Face {
    async fn get_secret_key(&self, access_key: &str) -> S3Result<SecretKey> {
        match self.0.lodger(access_key) {
            Ok(Some(lodger)) => Ok(SecretKey::from(lodger.secret.as_str())),
            Ok(None) => Err(S3Error::with_message(
                S3ErrorCode::InvalidAccessKeyId,
                "no guest has this access id",
            )),
            Err(e) => Err(failed(e)),
        }
    }
}

#[async_trait]
impl S3Access for Face {
    async fn check(&self, cx: &mut S3AccessContext<'_>) -> S3Result<()> {
        if cx.credentials().is_none() {
            return Err(S3Error::with_message(
                S3ErrorCode::AccessDenied,
                "requests have to be signed with the secret of a guest",
            ));
        }
        let operation = cx.s3_op().name();
        if !ALLOWED.contains(&operation) {
            return Err(only_adds(&format!("{operation} is not possible here")));
        }
        match cx.s3_path() {
            S3Path::Root => Ok(()),
            S3Path::Bucket { bucket } | S3Path::Object { bucket, .. } if **bucket == *BUCKET => {
                Ok(())
            }
            _ => Err(S3Error::with_message(
                S3ErrorCode::NoSuchBucket,
                format!("a guest sees one bucket here, {BUCKET}"),
            )),
        }
    }
}

impl Face {
    /// The guest whose signature the request bears.
    ///
    /// # Errors
    /// `AccessDenied` if its access ended meanwhile.
    pub(super) fn guest<T>(&self, request: &S3Request<T>) -> S3Result<Arc<Lodger>> {
        let access = request.credentials.as_ref().map(|c| c.access_key.as_str());
        self.0
            .lodger(access.unwrap_or_default())
            .map_err(failed)?
            .ok_or_else(|| S3Error::with_message(S3ErrorCode::AccessDenied, ENDED))
    }
}

/// Does blocking work beside the threads that serve.
///
/// # Errors
/// Those of the work; `InternalError` if it was broken off.
pub(super) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> S3Result<T> + Send + 'static,
) -> S3Result<T> {
    tokio::task::spawn_blocking(work).await.map_err(failed)?
}

#[async_trait]
impl S3 for Face {
    async fn list_buckets(
        &self,
        _: S3Request<ListBucketsInput>,
    ) -> S3Result<S3Response<ListBucketsOutput>> {
        Ok(S3Response::new(ListBucketsOutput {
            buckets: Some(vec![Bucket {
                name: Some(BUCKET.to_string()),
                // Tools want a date and make no use of it.
                creation_date: Some(get::timestamp(0)),
                ..Default::default()
            }]),
            ..Default::default()
        }))
    }

    async fn head_bucket(
        &self,
        _: S3Request<HeadBucketInput>,
    ) -> S3Result<S3Response<HeadBucketOutput>> {
        Ok(S3Response::new(HeadBucketOutput {
            bucket_region: Some(REGION.to_string()),
            ..Default::default()
        }))
    }

    async fn get_bucket_location(
        &self,
        _: S3Request<GetBucketLocationInput>,
    ) -> S3Result<S3Response<GetBucketLocationOutput>> {
        // The protocol's word for us-east-1 is none at all.
        Ok(S3Response::new(GetBucketLocationOutput::default()))
    }

    async fn list_objects(
        &self,
        request: S3Request<ListObjectsInput>,
    ) -> S3Result<S3Response<ListObjectsOutput>> {
        list::first_version(self, request).await
    }

    async fn list_objects_v2(
        &self,
        request: S3Request<ListObjectsV2Input>,
    ) -> S3Result<S3Response<ListObjectsV2Output>> {
        list::second_version(self, request).await
    }

    async fn get_object(
        &self,
        request: S3Request<GetObjectInput>,
    ) -> S3Result<S3Response<GetObjectOutput>> {
        get::get_object(self, request).await
    }

    async fn head_object(
        &self,
        request: S3Request<HeadObjectInput>,
    ) -> S3Result<S3Response<HeadObjectOutput>> {
        get::head_object(self, request).await
    }

    async fn put_object(
        &self,
        request: S3Request<PutObjectInput>,
    ) -> S3Result<S3Response<PutObjectOutput>> {
        put::put_object(self, request).await
    }

    async fn create_multipart_upload(
        &self,
        request: S3Request<CreateMultipartUploadInput>,
    ) -> S3Result<S3Response<CreateMultipartUploadOutput>> {
        multipart::create(self, request).await
    }

    async fn upload_part(
        &self,
        request: S3Request<UploadPartInput>,
    ) -> S3Result<S3Response<UploadPartOutput>> {
        multipart::upload_part(self, request).await
    }

    async fn complete_multipart_upload(
        &self,
        request: S3Request<CompleteMultipartUploadInput>,
    ) -> S3Result<S3Response<CompleteMultipartUploadOutput>> {
        multipart::complete(self, request).await
    }

    async fn abort_multipart_upload(
        &self,
        request: S3Request<AbortMultipartUploadInput>,
    ) -> S3Result<S3Response<AbortMultipartUploadOutput>> {
        multipart::abort(self, request).await
    }
}
