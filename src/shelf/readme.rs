//! The text of a shelf's README.txt.

/// How to recover by hand, for whoever finds the shelf.
pub fn readme_text() -> &'static str {
    "This folder is a shelf of a farshelf vault: encrypted copies of the memory of musical instruments.\n\
     Please leave it as it is.\n\n\
     To get everything back: farshelf rescue THIS-FOLDER --key FILE --to NEW-FOLDER\n\
     By hand, with the key in key.txt, for every file in reels/ in the order of the names:\n\
     \x20 age -d -i key.txt FILE.tar.zst.age | zstd -d | tar -x\n\
     The printed key sheet says the same; if the two differ, trust the sheet.\n"
}
