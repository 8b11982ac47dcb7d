//! What the card's file system costs: clusters, and a file in pieces.

use thumbreel::board::{Board, Card, CardBus};
use thumbreel::budget::{Clusters, Link, PictureCoding, Settings};
use thumbreel::units::Ratio;

/// By hand: SD over SPI at 20 MHz, 515 bytes a block on the wire (SD Physical
/// Layer Simplified Specification), 206 us. A read of 8,192 bytes is 16 blocks:
/// 300 us of access, 16 x (8 + 206) = 3,424 us, and a quarter of the 40 us that
/// a new cluster of 32,768 bytes takes: 3,734 us, 2.194 MB/s. Where every
/// cluster lies elsewhere, a quarter of a read of one block of the allocation
/// table comes on top, (300 + 8 + 206) / 4 = 128.5 us: 3,862.5 us, 2.121 MB/s.
#[test]
fn clusters_and_fragments_by_hand() {
    let mut board = Board::find("lantern-room").unwrap();
    board.player.read_bytes = 8192;
    board.card = Some(Card {
        bus: CardBus::Spi,
        clock_hz: 20_000_000,
        access_us: 300.0,
        block_us: 8.0,
        cluster_us: 40.0,
        cluster_bytes: 32_768,
        ..Card::default()
    });
    let rate = Ratio::new(12, 1).unwrap();
    let mut reel = Settings::typical(64, 48, rate, PictureCoding::Raw).facts();
    // 128 clusters and a byte; 128 entries of 4 bytes in a block of the table.
    reel.total_bytes = 32_768 * 128 + 1;
    let found = Clusters::new(&reel, &board, 2.15e6, Link::Card).unwrap();
    assert_eq!(found.clusters, 129);
    assert!(
        (found.whole_rate / 1e6 - 8192.0 / 3734.0).abs() < 1e-3,
        "{found:?}"
    );
    assert!(
        (found.scattered_rate / 1e6 - 8192.0 / 3862.5).abs() < 1e-3,
        "{found:?}"
    );
    // 2.15 MB/s lie between both: in one piece it plays, scattered it does not.
    let told = found.sentence();
    assert!(
        told.contains("129 clusters of 32768 bytes and 2 blocks"),
        "{told}"
    );
    assert!(
        told.contains("too slow for this reel: copy it onto a freshly formatted card"),
        "{told}"
    );
    let calm = Clusters::new(&reel, &board, 1e6, Link::Card).unwrap();
    assert!(
        calm.sentence().contains("still enough"),
        "{}",
        calm.sentence()
    );
    assert_eq!(Clusters::new(&reel, &board, 1e6, Link::Wifi), None);
    // Small clusters cost more where they lie scattered.
    let card = board.card.as_mut().unwrap();
    card.cluster_bytes = 4096;
    let small = Clusters::new(&reel, &board, 1e6, Link::Card).unwrap();
    assert!(
        small.scattered_rate < 0.9 * found.scattered_rate,
        "{small:?}"
    );
}
