//! A shelf in memory: the shortest thing that keeps what shelves promise.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::io::{self, Cursor, Read, Write};
use std::sync::{Arc, Mutex};

use farshelf::error::{Error, Kind, Result};
use farshelf::shelf::by_hand::readme_text;
use farshelf::shelf::{Object, Part, README, SHELF_JSON, Shelf, ShelfJson, Upload};
use farshelf::sys::disk::Replace;

/// Objects by path. A clone is the same place.
#[derive(Debug, Clone, Default)]
pub struct Memory(Arc<Mutex<BTreeMap<String, Arc<Vec<u8>>>>>);

impl Memory {
    /// Puts an object there behind the shelf's back.
    pub fn put(&self, path: &str, bytes: &[u8]) {
        let bytes = Arc::new(bytes.to_vec());
        self.0.lock().unwrap().insert(path.to_string(), bytes);
    }

    fn get(&self, path: &str) -> Option<Arc<Vec<u8>>> {
        self.0.lock().unwrap().get(path).cloned()
    }
}

/// What other programs leave lying about.
fn is_noise(name: &str) -> bool {
    name.starts_with(".unfinished-") || name.starts_with("._") || name == ".DS_Store"
}

impl Shelf for Memory {
    fn location(&self) -> String {
        "memory".to_string()
    }

    fn is_near(&self) -> bool {
        true
    }

    fn side_by_side(&self) -> usize {
        4
    }

    fn list(&self, part: Part) -> Result<Vec<Object>> {
        let objects = self.0.lock().unwrap();
        let listed = objects.iter().filter_map(|(path, bytes)| {
            let name = path.strip_prefix(&part.path(""))?;
            (!name.contains('/') && !is_noise(name)).then(|| Object {
                name: name.to_string(),
                bytes: bytes.len() as u64,
            })
        });
        Ok(listed.collect())
    }

    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>> {
        let bytes = self.get(path).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(Cursor::new(bytes.to_vec())))
    }

    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>> {
        match self.get(path) {
            Some(bytes) if bytes.len() as u64 > limit => Err(io::ErrorKind::InvalidData.into()),
            found => Ok(found.map(|b| b.to_vec())),
        }
    }

    fn begin(&self) -> Result<Box<dyn Upload + '_>> {
        match self.get(SHELF_JSON) {
            Some(_) => Ok(Box::new(Draft(self, Vec::new()))),
            None => Err(Error::new(Kind::Unreachable, "memory holds no shelf")),
        }
    }

    fn restore_shelf_json(&self, text: &[u8]) -> Result<()> {
        self.put(SHELF_JSON, text);
        Ok(())
    }

    fn foreign_names(&self) -> Result<Vec<String>> {
        let objects = self.0.lock().unwrap();
        let tops = objects.keys().filter_map(|p| p.split('/').next());
        let mut names: Vec<String> = tops.filter(|n| *n != README).map(str::to_string).collect();
        names.dedup();
        Ok(names)
    }

    fn lay_out(&self, about: &ShelfJson) -> Result<()> {
        self.put(README, readme_text().as_bytes());
        self.put(SHELF_JSON, about.text().as_bytes());
        Ok(())
    }

    fn file_system(&self) -> Option<u64> {
        None
    }
}

struct Draft<'m>(&'m Memory, Vec<u8>);

impl Write for Draft<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.1.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Upload for Draft<'_> {
    fn publish(self: Box<Self>, path: &str, replace: Replace) -> Result<()> {
        let mut objects = self.0.0.lock().unwrap();
        if replace == Replace::No && objects.contains_key(path) {
            let taken = io::Error::from(io::ErrorKind::AlreadyExists);
            return Err(Error::io(format!("{path} is there already"), taken));
        }
        objects.insert(path.to_string(), Arc::new(self.1));
        Ok(())
    }
}
