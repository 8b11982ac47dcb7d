//! The server keeps its promises to clients of every manner: files, ranges and
//! conditions by RFC 9110, nothing outside the folder, nobody in the way of
//! anybody else.

mod abuse;
mod announce;
mod clients;
mod files;
mod live;
mod load;
mod shaped;
mod support;
