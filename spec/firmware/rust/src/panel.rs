//! The panel, by the commands of MIPI DCS.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use mipidsi::dcs::{self, InterfaceExt};
use mipidsi::interface::Interface;
use thumbreel::units::Rect;

/// What the board's profile says of the panel.
#[derive(Clone, Copy, Debug, Default)]
pub struct PanelSetup {
    /// Panel memory that the glass shows, counted from its first pixel.
    pub columns: u16,
    /// The same downwards.
    pub rows: u16,
    /// A byte of black: FFh if the profile says `inverted`.
    pub black: u8,
    /// Command 21h is sent in place of 20h.
    pub invert_mode: bool,
    /// Parameter of command 36h: 0, since the pixels in a reel are turned already.
    pub address_mode: u8,
}

/// 16 bits per pixel, for both of a panel's interfaces.
const PIXELS_OF_16_BITS: u8 = 0x55;
const SET_ADDRESS_MODE: u8 = 0x36;
const SET_PIXEL_FORMAT: u8 = 0x3A;

/// A panel on an interface of `mipidsi`: SPI, or a parallel one of 8 bits.
pub struct Panel<DI> {
    interface: DI,
    setup: PanelSetup,
    /// Transfers that failed, for a status page.
    pub failures: u32,
}

impl<DI: Interface<Word = u8>> Panel<DI> {
    /// A panel that has been started already, by `mipidsi`'s builder for instance, whose
    /// `Display::release` gives the interface back; and cleared.
    pub fn started(interface: DI, setup: PanelSetup) -> Self {
        Self {
            interface,
            setup,
            failures: 0,
        }
    }

    /// Resets the panel, wakes it, sets it to 16 bits per pixel, and clears it.
    ///
    /// # Errors
    /// Those of the interface. Those of the reset line pass unseen: it has none on
    /// microcontrollers.
    pub fn start(
        interface: DI,
        setup: PanelSetup,
        reset: &mut impl OutputPin,
        delay: &mut impl DelayNs,
    ) -> Result<Self, DI::Error> {
        let mut panel = Self::started(interface, setup);
        let _ = reset.set_low();
        delay.delay_ms(10);
        let _ = reset.set_high();
        delay.delay_ms(120);
        let interface = &mut panel.interface;
        interface.write_command(dcs::ExitSleepMode)?;
        delay.delay_ms(120);
        interface.write_raw(SET_PIXEL_FORMAT, &[PIXELS_OF_16_BITS])?;
        interface.write_raw(SET_ADDRESS_MODE, &[setup.address_mode])?;
        interface.write_raw(if setup.invert_mode { 0x21 } else { 0x20 }, &[])?;
        interface.write_command(dcs::EnterNormalMode)?;
        delay.delay_ms(10);
        panel.clear()?;
        panel.interface.write_command(dcs::SetDisplayOn)?;
        Ok(panel)
    }

    /// What it was made with.
    pub fn setup(&self) -> &PanelSetup {
        &self.setup
    }

    /// The interface, for commands between two rounds of the loop.
    pub fn interface(&mut self) -> &mut DI {
        &mut self.interface
    }

    /// Fills the panel with black.
    ///
    /// # Errors
    /// Those of the interface.
    pub fn clear(&mut self) -> Result<(), DI::Error> {
        let PanelSetup {
            columns,
            rows,
            black,
            ..
        } = self.setup;
        self.open(Rect {
            x: 0,
            y: 0,
            w: columns,
            h: rows,
        })?;
        let pixels = u32::from(columns) * u32::from(rows);
        self.interface.send_repeated_pixel([black; 2], pixels)
    }

    fn open(&mut self, w: Rect) -> Result<(), DI::Error> {
        let interface = &mut self.interface;
        interface.write_command(dcs::SetColumnAddress::new(w.x, w.x + w.w - 1))?;
        interface.write_command(dcs::SetPageAddress::new(w.y, w.y + w.h - 1))?;
        interface.write_command(dcs::WriteMemoryStart)
    }

    /// Sends pixels, with `None` to the window of those before. Returns when they have
    /// been sent.
    pub fn send(&mut self, window: Option<Rect>, pixels: impl Iterator<Item = [u8; 2]>) {
        let opened = window.map_or(Ok(()), |window| self.open(window));
        if opened
            .and_then(|()| self.interface.send_pixels(pixels))
            .is_err()
        {
            self.failures += 1;
        }
    }
}
