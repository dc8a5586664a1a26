//! Shelves that are far away: hosts that lie, and networks that fail.

#[path = "common/bucket_server.rs"]
mod bucket_server;
#[path = "common/vaults.rs"]
mod common;
#[path = "common/far.rs"]
mod far;

#[path = "far/hostile.rs"]
mod hostile;
#[path = "far/network.rs"]
mod network;
