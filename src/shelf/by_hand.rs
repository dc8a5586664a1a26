//! The commands that rebuild everything from a shelf without this program: one text for README.txt at the shelf and for the key sheet.
//!
//! They need stock `age`, `zstd`, `tar`, `b3sum`, `awk` and a POSIX shell. Invariants: they go on past a damaged reel or piece and say
//! which one it was; no name out of a copy becomes a path outside the new folder; a take counts as good only after its hash was
//! computed again. What the members of a reel look like is described in the reel's own module; this reads that layout.

/// What to print into the commands.
#[derive(Clone, Copy)]
pub struct ByHand<'a> {
    /// The identity line itself, or `None` for a text that says where to find it (README.txt holds no secret).
    pub key_line: Option<&'a str>,
    /// The folder of the shelf, or `None` for `/path/to/shelf`.
    pub shelf: Option<&'a str>,
}

/// Gives the commands, ASCII apart from what `by_hand` holds, LF lines of at most 80 columns (a longer path or key excepted).
///
/// They make the folder `recovered` where they are run, with `out/DEVICE/SECTION/NUMBER DATE.ext` in it, and end with the number of
/// good and bad takes; their exit status is 0 only if nothing was bad. A character of a date that file systems dislike becomes `-`,
/// an unknown date `unknown`, a take without section lies in `loose`. A control character of a file name never reaches a path: only
/// its extension (up to eight letters and digits, else `syx`) is used.
pub fn commands(by_hand: &ByHand<'_>) -> String {
    let shelf = quoted(by_hand.shelf.unwrap_or("/path/to/shelf"));
    let key = quoted(
        by_hand
            .key_line
            .unwrap_or("AGE-SECRET-KEY-1... (the line on the key sheet)"),
    );
    format!("SHELF={shelf}\nKEY={key}\n{SCRIPT}")
}

/// Gives README.txt of a shelf: the same bytes at every shelf of this format version, telling nothing of what the studio owns.
pub fn readme_text() -> String {
    let commands = commands(&ByHand {
        key_line: None,
        shelf: None,
    });
    format!("{README_HEAD}{commands}{README_TAIL}")
}

fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', r"'\''"))
}

const README_HEAD: &str = "\
What this folder is

It is one copy of a collection that somebody keeps in several places, so that
it survives the loss of any of them. Please leave it as it is: do not rename,
change or delete anything in it. Everything in reels/ is encrypted; without
the key nobody can read it, and whoever only stores it does not need the key.

  shelf.json  which collection this copy belongs to
  reels/      the collection, encrypted, in numbered parts; none ever changes
  keys/       the key of the collection, encrypted for further keys, if any

How to get everything back

With the program that made it (farshelf) and the key sheet:

  farshelf rescue THIS-FOLDER --key - --to NEW-FOLDER

Without it: any computer with a Unix shell and the programs age, zstd, tar,
b3sum and awk. The key sheet prints the same commands as this file. If the two
differ, trust the sheet: this file lies where others may have changed it.
Put the real folder into the first line and the key line of the sheet into
the second one; then paste all of it into a file and run it with `sh FILE`.

----------------------------------------------------------------------------
";

const README_TAIL: &str = "\
----------------------------------------------------------------------------

If you have a further key or a passphrase instead of the sheet, this prints
the key line (-i MY-KEY.txt only for a key):

  age -d -i MY-KEY.txt keys/NUMBER-....age

Format version 1.
";

/// Kept short: a person may have to type it from paper. The functions, then five steps.
///
/// * `LC_ALL=C` makes `[a-z]` mean that, and `sort` the same everywhere.
/// * Every reel is decrypted and unpacked to the end before `tar` sees it: age hands out bytes before it knows the end is there.
/// * A forged reel could bring a link that the next reel is unpacked through, so after each one whatever is no file or folder goes.
/// * In `takes/` the last row for a device and take holds; file names sort as the ledger went, whatever reel they came in.
const SCRIPT: &str = r#"umask 077; export LC_ALL=C
SHELF=$(cd "$SHELF" && pwd) || exit 1
mkdir recovered && cd recovered && mkdir all all/dumps all/chunks all/lists \
  all/takes all/bad out || exit 1
printf '%s\n' "$KEY" > key.txt
good=0; bad=0; lost=0; tab=$(printf '\t')
complain() { printf '%s\n' "$*" | tr -c ' -~\n' '?' >&2; }
# hash FILE
hash() { b3sum < "$1" | cut -c1-64; }
# list HASH: its list in all parts, into the file "list"
list() {
  cat "all/lists/$1" > list || return 1
  n=2
  while [ -f "all/lists/$1.$n" ]; do
    cat "all/lists/$1.$n" >> list; n=$((n+1))
  done
}
# piece HASH TARGET: write one piece, whole or from its chunks, and check it
piece() {
  case $1 in *[!0-9a-f]*) return 1;; esac
  [ ${#1} = 64 ] && [ ! -e "$2" ] || return 1
  if [ -f "all/dumps/$1" ]; then cat "all/dumps/$1" > "$2"
  elif [ -f "all/chunks/$1" ]; then cat "all/chunks/$1" > "$2"
  elif list "$1" 2>/dev/null; then
    : > "$2"
    while read -r c bytes; do
      case $c in *[!0-9a-f]*) return 1;; esac
      part=all/chunks/$c; [ -f "$part" ] || part=all/dumps/$c
      cat "$part" || return 1
    done < list >> "$2"
  else return 1; fi
  [ "$(hash "$2")" = "$1" ]
}
# A folder take has two blanks in its list, a piece in chunks has one.
is_folder() {
  [ ! -f "all/dumps/$1" ] && [ ! -f "all/chunks/$1" ] &&
    [ -f "all/lists/$1" ] &&
    head -n 1 "all/lists/$1" | awk '!/^\\?[0-9a-f]+  / { exit 1 }'
}
# folder HASH TARGET: write a folder take from its list and check it
folder() {
  list "$1" && mv list files && [ "$(hash files)" = "$1" ] &&
    mkdir "$2" || return 1
  whole=0
  while IFS= read -r line; do
    case $line in
      \\*) line=${line#?}; p=$(printf '%b.' "${line#*  }"); p=${p%.};;
      *) p=${line#*  };;
    esac
    case /$p/ in
      //*|*/../*) complain "REFUSED path in $2: $p"; whole=1; continue;;
    esac
    case $p in */*) mkdir -p "$2/${p%/*}";; esac
    piece "${line%%  *}" "$2/$p" || { complain "BAD $2: $p"; whole=1; }
  done < files
  [ $whole = 0 ] || return 1
  [ ! -s files ] || (f=$PWD/files; cd "$2" && b3sum --check --quiet "$f")
}
# 1. Open every reel; only whole ones are unpacked.
for f in "$SHELF"/reels/*.age; do
  if age -d -i key.txt "$f" > 1.zst && zstd -dc < 1.zst > 1.tar &&
    tar -xof 1.tar -C all; then complain "opened ${f##*/}"
  else complain "NOT OPENED: $f"; lost=$((lost+1)); fi
  find all ! -type f ! -type d -exec rm -f {} +
done
rm -f 1.zst 1.tar
# 2. Put aside every piece that is not what its name says.
(cd all && find dumps chunks -type f -exec b3sum {} +) | awk '
  { h = substr($0, 1, 64); p = substr($0, 67); n = p; sub(/.*\//, "", n) }
  h != n { print p }' > bad.txt
while IFS= read -r p; do
  complain "DAMAGED piece: $p"; mv "all/$p" all/bad/
done < bad.txt
# 3. The last row for a device and take holds.
find all/takes -type f -name '*.tsv' | sort | while IFS= read -r f; do
  cat "$f"; done | awk -F'\t' '
  NF >= 8 { k = $1 FS $3; if (!(k in row)) key[++n] = k; row[k] = $0 }
  END { for (i = 1; i <= n; i++) print row[key[i]] }' > rows.tsv
# 4. Write every take and check it.
while IFS=$tab read -r dev sec take date cond labels h name rest <&3; do
  [ "$sec" != - ] || sec=loose
  case $dev/$sec in
    ./*|../*|*/.|*/..|*[!a-z0-9._/-]*|*/*/*|/*|*/) dev=; esac
  case $take in ''|*[!0-9]*) dev=; esac
  case $h in *[!0-9a-f]*) dev=; esac
  if [ -z "$dev" ] || [ ${#h} != 64 ]; then
    complain "REFUSED row"; bad=$((bad+1)); continue; fi
  [ "$date" != - ] || date=unknown
  date=$(printf '%s' "$date" | tr -c '0-9A-Za-z.+-' '-')
  ext=${name##*.}
  case $name in *.*) ;; *) ext=syx;; esac
  case $ext in ''|*[!0-9A-Za-z]*|?????????*) ext=syx;; esac
  t="out/$dev/$sec/$take $date"; mkdir -p "out/$dev/$sec"
  if is_folder "$h"; then folder "$h" "$t"; else piece "$h" "$t.$ext"; fi &&
    good=$((good+1)) || { complain "BAD take: $t"; bad=$((bad+1)); }
done 3< rows.tsv
# 5. The count.
echo "$good takes good, $bad bad, $lost reels not opened"
[ $bad = 0 ] && [ $lost = 0 ]
"#;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_readme_is_the_same_every_time_and_holds_the_commands_whole() {
        let readme = readme_text();
        assert_eq!(readme, readme_text());
        let commands = commands(&ByHand {
            key_line: None,
            shelf: None,
        });
        assert!(readme.contains(&commands));
        assert!(commands.starts_with("SHELF='/path/to/shelf'\n"));
        assert!(readme.is_ascii() && readme.ends_with('\n'));
        let widest = readme.lines().map(str::len).max();
        assert!(widest <= Some(80), "{widest:?}");
    }

    #[test]
    fn odd_paths_are_quoted() {
        let text = commands(&ByHand {
            key_line: Some("AGE-SECRET-KEY-1X"),
            shelf: Some("/media/lena's disk/$(x)"),
        });
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some(r"SHELF='/media/lena'\''s disk/$(x)'"));
        assert_eq!(lines.next(), Some("KEY='AGE-SECRET-KEY-1X'"));
    }
}
