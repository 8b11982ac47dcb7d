//! Where a file is to go, and the rules that it must keep before anything is
//! written.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::draft::{Draft, Workshop};
use super::error::OutputError;
use super::names;
use super::part::Part;
use super::system;

/// What kind of file is written; its name must end accordingly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A reel.
    Reel,
    /// A board profile.
    Profile,
    /// A chart.
    Chart,
    /// A page for the browser.
    Page,
    /// Sound.
    Sound,
    /// A film.
    Film,
    /// An animation.
    Animation,
    /// One picture.
    Picture,
    /// A folder of files.
    Folder,
    /// A text whose name is given by its use: a man page.
    Text,
}

impl Kind {
    /// What it is called.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Reel => "reel",
            Self::Profile => "board profile",
            Self::Chart => "chart",
            Self::Page => "page",
            Self::Sound => "sound file",
            Self::Film => "film",
            Self::Animation => "GIF animation",
            Self::Picture => "picture",
            Self::Folder => "folder",
            Self::Text => "text",
        }
    }

    /// Endings that its name may have, the usual one first; none where any
    /// will do.
    #[must_use]
    pub const fn endings(self) -> &'static [&'static str] {
        match self {
            Self::Reel => &["tbr"],
            Self::Profile => &["toml"],
            Self::Chart => &["svg"],
            Self::Page => &["html", "htm"],
            Self::Sound => &["wav"],
            Self::Film => &["mp4"],
            Self::Animation => &["gif"],
            Self::Picture => &["png"],
            Self::Folder | Self::Text => &[],
        }
    }

    /// Whether a terminal can show it.
    const fn is_text(self) -> bool {
        matches!(self, Self::Profile | Self::Text)
    }
}

/// A name for a file that a call is going to write.
#[derive(Clone, Debug)]
pub struct Destination {
    path: PathBuf,
    kind: Kind,
    overwrite: bool,
    inputs: Vec<PathBuf>,
}

impl Destination {
    /// A file of `kind` to be named `path`; `-` is standard output.
    #[must_use]
    pub fn new(path: impl Into<PathBuf>, kind: Kind) -> Self {
        Self {
            path: path.into(),
            kind,
            overwrite: false,
            inputs: Vec::new(),
        }
    }

    /// Whether a file that has the name already may be replaced.
    #[must_use]
    pub const fn overwrite(mut self, yes: bool) -> Self {
        self.overwrite = yes;
        self
    }

    /// Files that the same call reads: none of them is ever replaced.
    #[must_use]
    pub fn apart_from<P: Into<PathBuf>>(mut self, inputs: impl IntoIterator<Item = P>) -> Self {
        let inputs = inputs.into_iter().map(Into::into);
        self.inputs
            .extend(inputs.filter(|path: &PathBuf| path.as_os_str() != "-"));
        self
    }

    /// The same rules for another name.
    #[must_use]
    pub fn renamed(&self, path: impl Into<PathBuf>) -> Self {
        Self {
            path: path.into(),
            ..self.clone()
        }
    }

    /// The same rules for another file beside it.
    #[must_use]
    pub fn of_kind(&self, path: impl Into<PathBuf>, kind: Kind) -> Self {
        Self {
            kind,
            ..self.renamed(path)
        }
    }

    /// The name.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is to be written.
    #[must_use]
    pub const fn kind(&self) -> Kind {
        self.kind
    }

    /// Whether it is standard output.
    #[must_use]
    pub fn is_stream(&self) -> bool {
        self.path.as_os_str() == "-"
    }

    pub(super) const fn replaces(&self) -> bool {
        self.overwrite
    }

    /// The folder that it goes to; a stream waits in the system's own.
    pub(super) fn folder(&self) -> PathBuf {
        match self.path.parent() {
            _ if self.is_stream() => std::env::temp_dir(),
            Some(parent) if !parent.as_os_str().is_empty() => parent.into(),
            _ => ".".into(),
        }
    }

    /// Checks the name, and that nothing that must stay would be lost.
    ///
    /// # Errors
    /// The ending is not the kind's, the name is an input's, is taken, or is no
    /// file's, or a stream would go to a terminal.
    pub fn check(&self) -> Result<(), OutputError> {
        if self.is_stream() {
            if !self.kind.is_text() && std::io::stdout().is_terminal() {
                return Err(OutputError::Terminal(self.kind));
            }
            return Ok(());
        }
        self.check_inputs()?;
        self.check_plain()?;
        self.check_name()?;
        self.check_taken()
    }

    fn check_name(&self) -> Result<(), OutputError> {
        if self.path.file_name().is_none() || system::ends_with_separator(&self.path) {
            return match self.kind {
                Kind::Folder if self.path.file_name().is_some() => Ok(()),
                kind => Err(OutputError::NoName(self.path.clone(), kind)),
            };
        }
        if cfg!(windows) {
            self.check_special()?;
        }
        if self.path.is_dir() && self.kind == Kind::Folder {
            return Ok(());
        }
        if self.path.is_dir() {
            return Err(OutputError::Folder(self.path.clone(), self.kind));
        }
        let ending = self.path.extension().map(|e| e.to_ascii_lowercase());
        let fits = |wanted: &&str| ending.as_deref() == Some(wanted.as_ref());
        let endings = self.kind.endings();
        if endings.is_empty() || endings.iter().any(fits) {
            return Ok(());
        }
        Err(OutputError::Ending(self.path.clone(), self.kind))
    }

    /// Devices, streams of a file and other spellings of a name are no names there.
    fn check_special(&self) -> Result<(), OutputError> {
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        match names::is_special(&name) {
            true => Err(OutputError::Special(self.path.clone())),
            false => Ok(()),
        }
    }

    /// Links and other spellings of an input's name lead to the same file.
    fn check_inputs(&self) -> Result<(), OutputError> {
        let same = |input: &&PathBuf| system::same_file(&self.path, input);
        match self.inputs.iter().find(same) {
            None => Ok(()),
            Some(input) => Err(OutputError::Input {
                path: self.path.clone(),
                input: input.clone(),
            }),
        }
    }

    /// Devices, pipes and sockets are no names for files.
    fn check_plain(&self) -> Result<(), OutputError> {
        match self.path.metadata() {
            Ok(found) if !found.is_file() && !found.is_dir() => {
                Err(OutputError::NotAFile(self.path.clone()))
            }
            _ => Ok(()),
        }
    }

    fn check_taken(&self) -> Result<(), OutputError> {
        if self.path.symlink_metadata().is_err() {
            return Ok(());
        }
        match !self.overwrite || self.kind == Kind::Folder {
            true => Err(OutputError::Exists(self.path.clone(), self.kind)),
            false => Ok(()),
        }
    }

    /// Opens the file beside its name.
    ///
    /// # Errors
    /// As [`check`](Self::check), or the folder cannot be written.
    pub fn begin(&self) -> Result<Draft, OutputError> {
        self.check()?;
        let name = self.path.file_name().unwrap_or_default();
        let part = Part::file(&self.folder(), name).map_err(self.failed())?;
        Ok(Draft::new(part, self.clone()))
    }

    /// Opens a folder beside the name, for work of several files or for a
    /// folder to be published.
    ///
    /// # Errors
    /// As [`check`](Self::check), or the folder cannot be written.
    pub fn workshop(&self) -> Result<Workshop, OutputError> {
        self.check()?;
        let name = self.path.file_name().unwrap_or_default();
        let part = Part::folder(&self.folder(), name).map_err(self.failed())?;
        Ok(Workshop::new(part, self.clone()))
    }

    /// Writes a whole file.
    ///
    /// # Errors
    /// As [`begin`](Self::begin) and [`Draft::publish`].
    pub fn write(&self, bytes: &[u8]) -> Result<(), OutputError> {
        use std::io::Write;
        let mut draft = self.begin()?;
        draft.write_all(bytes).map_err(self.failed())?;
        draft.publish()
    }

    /// An error of the system while writing.
    pub fn failed(&self) -> impl Fn(std::io::Error) -> OutputError + use<> {
        let path = self.path.clone();
        move |reason| OutputError::io(&path, reason)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn devices_and_streams_are_refused_where_they_are_some() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["NUL.tbr", "lpt1.tbr", "harbour.txt:2.tbr", "what?.tbr"] {
            let to = Destination::new(folder.path().join(name), Kind::Reel);
            assert!(matches!(to.check_special(), Err(OutputError::Special(_))));
            let told = to.check();
            assert_eq!(told.is_err(), cfg!(windows), "{name}: {told:?}");
        }
        let to = Destination::new(folder.path().join("nullah.tbr"), Kind::Reel);
        assert!(to.check().is_ok());
    }
}
