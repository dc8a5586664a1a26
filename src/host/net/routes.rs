//! The routes beside the S3 service: who the host is, and taking up an invite.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Path, Request, State};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use bytes::Bytes;
use http::{StatusCode, header};
use s3s::service::{S3Service, S3ServiceBuilder};
use serde::Serialize;

use super::guard::{self, ChunkGuard};
use super::patience::Unstalled;
use super::service::Face;
use crate::host::guests::{self, NotRedeemed};
use crate::host::house::House;
use crate::lending::{ABOUT_PATH, About, AboutGuest, GUESTS_PATH, Redeem};

/// The longest [`Redeem`].
const REDEEM_LIMIT: usize = 4096;
/// The longest XML document, that of completing an object of 10,000 parts.
const XML_LIMIT: usize = 2 << 20;
/// How long nothing may come of a body.
const BODY_TIME: Duration = Duration::from_secs(60);
/// What a wrong token costs.
const WRONG_TOKEN_TIME: Duration = Duration::from_millis(250);

/// Everything the host answers to.
pub(super) fn router(house: &Arc<House>) -> Router {
    let face = Face(house.clone());
    let mut builder = S3ServiceBuilder::new(face.clone());
    builder.set_auth(face.clone());
    builder.set_access(face);
    let mut config = s3s::config::S3Config::default();
    config.xml_max_body_size = XML_LIMIT;
    config.post_object_max_file_size = 0;
    config.form_max_field_size = 4096;
    config.form_max_fields_size = 4096;
    config.form_max_parts = 1;
    builder.set_config(Arc::new(s3s::config::StaticConfigProvider::new(Arc::new(
        config,
    ))));
    let s3 = builder.build();
    Router::new()
        .route(ABOUT_PATH, get(about))
        .route(&format!("{ABOUT_PATH}/{{access}}"), get(about_guest))
        .route(
            GUESTS_PATH,
            post(redeem).layer(DefaultBodyLimit::max(REDEEM_LIMIT)),
        )
        .with_state(house.clone())
        .fallback(move |request: Request| objects(s3.clone(), request))
}

fn json(value: &impl Serialize) -> Response {
    match serde_json::to_vec(value) {
        Ok(bytes) => ([(header::CONTENT_TYPE, "application/json")], bytes).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

async fn about(State(house): State<Arc<House>>) -> Response {
    json(&About {
        host: house.host.id.to_string(),
        print: house.print.as_ref().map(ToString::to_string),
    })
}

async fn about_guest(State(house): State<Arc<House>>, Path(access): Path<String>) -> Response {
    match house.lodger(&access) {
        Ok(Some(lodger)) => json(&AboutGuest {
            host: house.host.id.to_string(),
            generation: lodger.generation,
        }),
        Ok(None) => (StatusCode::NOT_FOUND, "no guest has this access id\n").into_response(),
        Err(_) => disk_failed(),
    }
}

fn disk_failed() -> Response {
    let words = "the host could not read or write its disk\n";
    (StatusCode::INTERNAL_SERVER_ERROR, words).into_response()
}

async fn redeem(State(house): State<Arc<House>>, body: Bytes) -> Response {
    let Ok(asked) = serde_json::from_slice::<Redeem>(&body) else {
        let words = "this is no JSON with token, access and secret\n";
        return (StatusCode::BAD_REQUEST, words).into_response();
    };
    let work = move || {
        let _one = house
            .redeeming
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        guests::redeem(&house.host, &asked)
    };
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(redeemed)) => json(&redeemed),
        Ok(Err(NotRedeemed::Form)) => {
            let words = "access: 8 to 64 of a-z 0-9; secret: 32 to 128 of 0-9 a-f\n";
            (StatusCode::BAD_REQUEST, words).into_response()
        }
        Ok(Err(NotRedeemed::Token)) => {
            tokio::time::sleep(WRONG_TOKEN_TIME).await;
            let words =
                "no invite with this token waits here; ask the host's owner for a new line\n";
            (StatusCode::FORBIDDEN, words).into_response()
        }
        Ok(Err(NotRedeemed::Taken)) => {
            let words = "another guest has this access id\n";
            (StatusCode::CONFLICT, words).into_response()
        }
        Ok(Err(NotRedeemed::Failed)) | Err(_) => disk_failed(),
    }
}

async fn objects(s3: S3Service, request: Request) -> Response {
    let (parts, body) = request.into_parts();
    // RFC 9110 section 10.1.1: who waits to be asked for the body may send it or not once it is refused. Neither the
    // host nor the client would know what comes next on this connection.
    let unasked = parts.headers.contains_key(header::EXPECT);
    let answer = match guard::admit(&parts) {
        Ok(()) => {
            let body = Unstalled::new(body, BODY_TIME);
            let body = match guard::is_chunked(&parts.headers) {
                true => s3s::Body::http_body_unsync(ChunkGuard::new(body)),
                false => s3s::Body::http_body_unsync(body),
            };
            s3.call(http::Request::from_parts(parts, body)).await.ok()
        }
        Err(refusal) => refusal.to_http_response().ok(),
    };
    match answer {
        Some(mut answer) => {
            if unasked && !answer.status().is_success() {
                let close = header::HeaderValue::from_static("close");
                answer.headers_mut().insert(header::CONNECTION, close);
            }
            answer.map(axum::body::Body::new)
        }
        None => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
