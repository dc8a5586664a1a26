//! The store's requests, carried by a courier.

use std::pin::Pin;
use std::sync::Mutex;
use std::task::{Context, Poll};

use bytes::Bytes;
use futures::Stream;
use http::{Response, StatusCode};
use http_body::Body;
use object_store::ClientOptions;
use object_store::client::{
    HttpClient, HttpConnector, HttpError, HttpErrorKind, HttpRequest, HttpRequestBody,
    HttpResponse, HttpResponseBody, HttpService,
};

use crate::shelf::net::{BodyReader, Courier, Payload, Trouble, TroubleKind};

/// Hands the store's requests to a courier.
#[derive(Debug, Clone)]
pub(super) struct Carrier {
    courier: Courier,
}

impl Carrier {
    pub(super) fn new(courier: Courier) -> Carrier {
        Carrier { courier }
    }
}

impl HttpConnector for Carrier {
    fn connect(&self, _: &ClientOptions) -> object_store::Result<HttpClient> {
        Ok(HttpClient::new(self.clone()))
    }
}

/// The statuses that the store gives a meaning of its own.
fn passes(status: StatusCode) -> bool {
    matches!(status.as_u16(), 304 | 409 | 412 | 416)
}

#[async_trait::async_trait]
impl HttpService for Carrier {
    async fn call(&self, request: HttpRequest) -> Result<HttpResponse, HttpError> {
        let (parts, body) = request.into_parts();
        let request = http::Request::from_parts(parts, payload(body).await?);
        match self.courier.call(request, passes).await {
            Ok(answer) => Ok(answer.map(response_body)),
            // A bucket that is missing answers 404 too, and must not be taken for an empty one.
            Err(trouble) if trouble.is_missing_object() => {
                let mut answer = Response::new(HttpResponseBody::from(Bytes::new()));
                *answer.status_mut() = StatusCode::NOT_FOUND;
                Ok(answer)
            }
            Err(trouble) => Err(failed(trouble)),
        }
    }
}

fn failed(trouble: Trouble) -> HttpError {
    // The store is not to try again on its own, whatever it was.
    HttpError::new(HttpErrorKind::Unknown, trouble)
}

/// The store's bodies lie in memory: their frames are there at once, and nothing is copied.
pub(super) async fn payload(mut body: HttpRequestBody) -> Result<Payload, HttpError> {
    let mut pieces = Vec::new();
    while let Some(frame) = std::future::poll_fn(|cx| Pin::new(&mut body).poll_frame(cx)).await {
        if let Ok(data) = frame?.into_data() {
            pieces.push(data);
        }
    }
    Ok(Payload::new(pieces))
}

fn response_body(body: BodyReader) -> HttpResponseBody {
    let stream = futures::stream::try_unfold(body, |mut body| async move {
        match body.next().await {
            None => Ok(None),
            Some(Ok(bytes)) => Ok(Some((http_body::Frame::data(bytes), body))),
            Some(Err(trouble)) => Err(failed(trouble)),
        }
    });
    HttpResponseBody::new(http_body_util::StreamBody::new(OneAtATime(Mutex::new(
        Box::pin(stream),
    ))))
}

/// A stream that several threads may hold: the store wants that of a body, and only one ever reads it.
struct OneAtATime<S>(Mutex<Pin<Box<S>>>);

impl<S: Stream> Stream for OneAtATime<S> {
    type Item = S::Item;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<S::Item>> {
        self.0
            .get_mut()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .as_mut()
            .poll_next(cx)
    }
}

/// The trouble that a store's error wraps.
pub(super) fn trouble_of(e: &object_store::Error, server: &str) -> Trouble {
    let mut cause: Option<&(dyn std::error::Error + 'static)> = Some(e);
    while let Some(one) = cause {
        if let Some(trouble) = one.downcast_ref::<Trouble>() {
            return trouble.clone();
        }
        cause = one.source();
    }
    Trouble {
        server: server.to_string(),
        kind: TroubleKind::Broken,
    }
}
