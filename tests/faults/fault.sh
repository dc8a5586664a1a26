#!/usr/bin/env bash
# Hurts the real program at its system calls, and sees that nothing that was acknowledged is lost.
#
#   fault.sh [-b FARSHELF] [-m MAX] [-a 'ACTION …'] [-s 'SCENARIO …'] [-c 'CALL …'] [-p PART/PARTS] [-v]
#   fault.sh -S          the short sample: three points a call, a part of all scenarios and actions, under a minute
#
# Actions:   kill               SIGKILL on entry of the call, which is not carried out
#            ENOSPC, EIO        that call fails, later ones work
#            ENOSPC+, EROFS+    that call fails, and every later one
#            cut, cutw          power cut: kill inside an ext4 image, then mount a copy of the image as it lies on its
#                               disk, with nothing that was not synced (journal modes ordered and writeback)
#            full               a disk of 1 KiB blocks with no or few free blocks
# Scenarios: create one many long card label mirror fixity repair rescue reindex
# A call counts from the first that touches the scenario's folder; -m spreads the points evenly over it.
#
# What must hold after every point: the next command works with no repair by hand; every take that standard output
# named (also in the preparation) is in `history` with its hash and comes back byte for byte; `fixity` is good;
# `reindex` loses nothing and gives the same history; the same `keep` again succeeds and no take is there twice.
# A command that failed said why; none of them panics.
# Prints a line for each bad point, a line for each scenario and action, and TOTAL. Exit 1 if any point was bad.
set -u
here=$(cd "$(dirname "$0")" && pwd)
BIN= MAX=0 ACTIONS="kill ENOSPC ENOSPC+ EIO EROFS+ cut cutw full" PART=1 PARTS=1 VERBOSE=0 SHORT=0
SCENARIOS="create one many long card label mirror fixity repair rescue reindex"
CALLS="write pwrite64 fsync fdatasync rename renameat2 ftruncate unlink openat mkdir"
while getopts b:m:a:s:c:p:Sv o; do case $o in
  b) BIN=$OPTARG;; m) MAX=$OPTARG;; a) ACTIONS=$OPTARG;; s) SCENARIOS=$OPTARG;; c) CALLS=$OPTARG;;
  p) PART=${OPTARG%/*} PARTS=${OPTARG#*/};; S) SHORT=1;; v) VERBOSE=1;; *) exit 2;; esac; done
BIN=${BIN:-$here/../../target/release/farshelf}
[ -x "$BIN" ] || { echo "not run: tests/faults ($BIN is missing; build it or name it with -b)"; exit 0; }
BIN=$(readlink -f "$BIN")
command -v strace >/dev/null || { echo "not run: tests/faults (strace is missing)"; exit 0; }
strace -f -qq -o /dev/null true 2>/dev/null || { echo "not run: tests/faults (this place lets no program be traced)"; exit 0; }

ram=/dev/shm; [ -w "$ram" ] || ram=${TMPDIR:-/tmp}
W=$(mktemp -d "$ram/fault.XXXXXX")
D=$W/d IN=$W/in
# A second signal must not stop the cleaning half way.
clean() { trap '' INT TERM; cd /; umount -l "$W/d" 2>/dev/null; umount -l "$W/dead" 2>/dev/null; rm -rf "$W"; }
trap clean EXIT
trap 'exit 130' INT TERM
mkdir -p "$D" "$W/dead" "$IN"
# What this computer remembers of its vaults belongs to the scenario.
at() { D=$1; V=$1/v; export HOME=$1 XDG_STATE_HOME=$1/state XDG_DATA_HOME=$1/data XDG_CONFIG_HOME=$1/config; }
f() { "$BIN" --vault "$V" --no-input "$@"; }

# ---- what is kept -------------------------------------------------------------------------------------------------
# A dump of so many data bytes that differ with the seed; all are below 128. 125 is the ID of no maker.
dump() { # bytes seed maker
  awk -v n="$1" -v s="$2" -v m="$3" 'BEGIN { printf "%c%c%c", 240, m, 1; x = s * 7919 + 17
    for (i = 0; i < n; i++) { x = (x * 1103 + 12345) % 1048576; printf "%c", 1 + int(x / 8) % 126 } printf "%c", 247 }'
}
export LC_ALL=C
make_input() {
  mkdir -p "$IN/many/organ" "$IN/many/pad" "$IN/many/drum" "$IN/card/sub" "$IN/before" "$IN/long"
  for i in 1 2 3; do for d in organ pad drum; do dump 3000 "$i$(printf %d "'$d")" 125 >"$IN/many/$d/d$i.syx"; done; done
  dump 3000000 5 125 >"$IN/many/pad/large.syx"
  dump 900 6 125 >"$IN/before/a.syx"; dump 70000 7 125 >"$IN/before/b.syx"
  dump 5000 8 125 >"$IN/one.syx"; dump 5100 9 125 >"$IN/later.syx"
  for i in 1 2 3; do dump 2000 "3$i" 125 >"$IN/card/sub/p$i.syx"; done; echo settings >"$IN/card/SET.TXT"
  # Enough for more than one reel; what chunks look like does not matter here.
  for i in 1 2 3 4 5; do { printf '\360\106\1'; head -c 9000000 /dev/urandom | tr '\200-\377' '\0-\177'; printf '\367'; } >"$IN/long/l$i.syx"; done
}
# The takes that a --json answer named whole, as "device take hash source".
acks() {
  awk -F'"' '$2=="source"{s=$4} $2=="device"{d=$4} $2=="status"{st=$4} $2=="blake3"{h=$4}
    $2=="take"{t=$3; gsub(/[^0-9]/,"",t)} $2=="error"{ if ((st=="kept"||st=="unchanged") && t!="") print d, t, h, s; t=""; st="" }' "$1"
}
# "device take hash" of everything that history lists.
listed() {
  f device list --json >"$W/devices" || return 1
  for d in $(awk -F'"' '$2=="id"{print $4}' "$W/devices"); do f history "$d" --json || return 1; done
}
takes_of() { awk -F'"' '$2=="device"{d=$4} $2=="take"{t=$3; gsub(/[^0-9]/,"",t)} $2=="blake3"{print d, t, $4}' "$1"; }

# ---- scenarios: prepare NAME, run NAME (one program, replaced by exec), extra NAME, again NAME ----------------------
prepare() {
  case $1 in create) return 0;; esac
  f create --json --place studio || return 1
  f device add organ && f keep --json --device organ "$IN/before/a.syx" "$IN/before/b.syx" >"$W/acked.before" || return 1
  case $1 in
    card) f device add sampler;;
    label) f label organ@2 before;;
    mirror|fixity|repair|rescue)
      f shelf add one "$D/s1" --place attic --separate && f shelf add two "$D/s2" --place barn --separate || return 1
      [ "$1" = mirror ] && return 0
      f mirror --json >"$W/mirrored" || return 1
      [ "$1" = fixity ] && return 0
      f keep --json --device organ "$IN/one.syx" >"$W/more" && cat "$W/more" >>"$W/acked.before" && f mirror --json || return 1
      if [ "$1" = rescue ]; then cp "$V/key.txt" "$D/key.txt"; f history organ --json >"$W/rescued"; mv "$V" "$D/gone"; return 0; fi
      flip "$V/reels/000001.tar" 1500; set -- "$D"/s1/reels/*; flip "$1" 700; rm "$2"
      flip "$D/s2/README.txt" 5
      f fixity; [ $? = 3 ];;
    reindex) f label organ@1 old && f shelf add one "$D/s1" --place attic --separate && f mirror && f label organ@2 open;;
  esac
}
flip() { local b; b=$(od -An -tu1 -j "$2" -N1 "$1"); printf "\\$(printf %o $((b ^ 4)))" | dd of="$1" bs=1 seek="$2" conv=notrunc status=none; }
command_of() {
  local v="$BIN --vault $V --no-input --json"
  case $1 in
    create) echo "$v create --place studio";;
    one) echo "$v keep --device organ $IN/one.syx";;
    many) echo "$v keep --by-folder --add-devices $IN/many";;
    long) echo "$v keep --device organ $IN/long";;
    card) echo "$v keep --device sampler --as-one $IN/card";;
    label) echo "$v label organ@1 spring";;
    mirror) echo "$v mirror";;
    fixity) echo "$v fixity";;
    repair) echo "$v repair";;
    rescue) echo "$v rescue $D/s1 $D/s2 --key $D/key.txt --to $V";;
    reindex) echo "$v reindex";;
  esac
}
good_codes() { case $1 in fixity) echo 0 3;; *) echo 0 3;; esac; }
bad() { echo "$*"; exit 1; }
must() { local what=$1; shift; "$@" >"$W/o" 2>"$W/e"; local rc=$?; [ $rc = 0 ] || bad "$what: exit $rc: $(head -c 300 "$W/e" | tr '\n' ' ')"; }
must_run() { local what=$1; shift; "$@" >"$W/o" 2>"$W/e"; local rc=$?; [ $rc = 0 ] || [ $rc = 3 ] || bad "$what: exit $rc: $(head -c 300 "$W/e" | tr '\n' ' ')"; }

# Runs in a subshell; the last line says what is bad.
check() { # scenario; the killed run's output lies in $W/out, its errors in $W/err, its code in $RC
  local s=$1
  case $RC in 13[2-9]) [ $RC = 137 ] || bad "it died of signal $((RC - 128))";; esac
  grep -qi 'panicked' "$W/err" && bad "it panicked: $(head -1 "$W/err")"
  if [ "$RC" -ne 0 ] && [ "$RC" -lt 126 ]; then
    # Where no write works any more, its own words cannot come through either.
    [ -s "$W/err" ] || [ -s "$W/out" ] || case $WHERE in *+\ at\ write*) true;; *) false;; esac || bad "it failed (exit $RC) and said nothing"
  fi
  case $s in
    create)
      if grep -q '^}' "$W/out"; then must "the acknowledged vault opens" f device list --json
      else f create --place studio >"$W/o" 2>"$W/e" || grep -q 'there is a vault' "$W/e" || bad "create again: $(head -2 "$W/e" | tr '\n' ' ')"; fi
      must "device add" f device add organ
      must "keep" f keep --json --device organ "$IN/before/a.syx" "$IN/before/b.syx"; cp "$W/o" "$W/acked.before"
      must "shelf add" f shelf add one "$D/s1" --place attic --separate; must "mirror" f mirror --json
      rm -rf "$D/r"; must "rescue from that shelf" f rescue "$D/s1" --key "$V/key.txt" --to "$D/r";;
    rescue)
      # A folder that a broken-off rescue left: going on or starting again must work without cleaning up by hand.
      [ -e "$V/farshelf.toml" ] || must_run "rescue again" f rescue "$D/s1" "$D/s2" --key "$D/key.txt" --to "$V"
      f history organ --json >"$W/o" || bad "history of the rescued vault"
      [ "$(takes_of "$W/o")" = "$(takes_of "$W/rescued")" ] || bad "the rescued vault has another history";;
  esac
  cat "$W/acked.before" >"$W/acked"; case $s in one|many|long|card) cat "$W/out" >>"$W/acked";; esac
  listed >"$W/history" 2>"$W/e" || bad "history: $(head -c 300 "$W/e" | tr '\n' ' ')"
  takes_of "$W/history" >"$W/listed"
  acks "$W/acked" >"$W/told"
  while read -r device take hash source; do
    grep -qx "$device $take $hash" "$W/listed" || bad "acknowledged $device@$take is not in history"
    if [ -d "$source" ]; then
      rm -rf "$W/back"; must "recall $device@$take" f recall "$device@$take" --to "$W/back"
      [ "$(find "$W/back" -type f | wc -l)" -gt 0 ] || bad "recall $device@$take gave nothing"
      local got=$W/back; [ -d "$W/back/$(basename "$source")" ] && got=$W/back/$(basename "$source")
      diff -r "$source" "$got" >/dev/null || bad "recall $device@$take differs: $(find "$W/back" | tr '\n' ' ')"
    else f recall "$device@$take" --to - 2>"$W/e" | cmp -s - "$source" || bad "recall $device@$take: $(head -1 "$W/e")"; fi
  done <"$W/told"
  # A damaged vault is mended by the next repair; all others are good as they are.
  if [ "$s" = repair ]; then must "repair again" f repair --json; fi
  must "fixity local" f fixity local --json
  grep -q '"good": true' "$W/o" || bad "fixity is not good: $(tr -d '\n' <"$W/o" | head -c 300)"
  case $s in
    label) if grep -q '^}' "$W/out"; then grep -q '"spring"' "$W/history" || bad "the acknowledged label is gone"; fi
      grep -q '"before"' "$W/history" || bad "an older label is gone";;
    mirror|fixity|repair)
      # What was sent only in part must not look like a whole copy.
      must "fixity of the copies" f fixity --json
      must "mirror" f mirror --json; must "fixity after mirror" f fixity --json
      grep -q '"complete": true' "$W/o" && grep -q '"good": true' "$W/o" || bad "fixity of all: $(tr -d '\n' <"$W/o" | head -c 300)";;
    reindex) grep -q '"old"' "$W/history" && grep -q '"open"' "$W/history" || bad "a label is gone";;
  esac
  must_run "health" f health
  listed >"$W/history"; must "reindex" f reindex --json
  tr -d ' \n' <"$W/o" | grep -q '"damaged":\[\],"set_aside":\[\],"lost":\[\]' || bad "reindex: $(tr -d '\n' <"$W/o" | head -c 300)"
  listed >"$W/history2"; cmp -s "$W/history" "$W/history2" || bad "reindex gives another history"
  case $s in
    one|many|long|card) local n; $(command_of "$s") >"$W/o" 2>"$W/e" || bad "keep again: $(head -2 "$W/e" | tr '\n' ' ')"
      acks "$W/o" | sort >"$W/again"; listed >"$W/history2"
      n=$(takes_of "$W/history2" | wc -l); [ "$n" = "$TAKES" ] || bad "there are $n takes after keeping again, not $TAKES";;
  esac
  must "keep a later dump" f keep --json --device organ "$IN/later.syx"; grep -q '"kept": 1' "$W/o" || bad "the later dump was not kept"
  must "fixity at the end" f fixity local --json
}

# ---- the machinery ------------------------------------------------------------------------------------------------
image() { # options of mkfs…: an empty image at $W/blank, mounted at $D
  rm -f "$W/blank"; truncate -s "${SIZE:-48M}" "$W/blank"
  mkfs.ext4 -q -F -m 0 -E lazy_itable_init=0,lazy_journal_init=0 "$@" "$W/blank" && mount -o loop "$W/blank" "$W/d"
}
put_back() {
  at "$W/d"
  case $1 in
    cut*) umount "$W/d" 2>/dev/null; cp --sparse=always "$W/blank" "$W/img"
      mount -o "loop,commit=600,data=$MODE" "$W/img" "$W/d";;
    *) rm -rf "$W/d"; cp -a "$W/before" "$W/d";;
  esac
  cp "$W/acked.kept" "$W/acked.before"
}
points=0 wrong=0 missed=0 WHERE=
report() { # scenario action where; the verdict is that of check
  tried=$((tried + 1)) WHERE="$2 $3"
  if ( check "$1" ) >"$W/verdict" 2>&1; then [ $VERBOSE = 0 ] || echo "ok   $1 $2 $3 (exit $RC)"
  else failed=$((failed + 1)); echo "BAD  $1 $2 $3 (exit $RC): $(tail -1 "$W/verdict" | head -c 500)"; [ $VERBOSE = 0 ] || sed 's/^/       /' "$W/err" | head -3; fi
}
chosen() { # how many: the numbers of the points, evenly spread
  awk -v n="$1" -v m="$MAX" -v part="$PART" -v parts="$PARTS" 'BEGIN { if (m == 0 || m > n) m = n
    for (k = 0; k < m; k++) { i = 1; if (m != 1) i += int(k * (n - 1) / (m - 1) + .5); if (k % parts == part - 1) print i } }'
}
try_calls() { # scenario action
  local s=$1 a=$2 call inj i
  for call in $CALLS; do
    # Per thread, as the tracer counts; from the first call that names or writes to the scenario's folder.
    local range; range=$(awk -v call="$call" -v d="$W/d" '$2 ~ "^"call"\\(" { c[$1]++; if (!first && (call != "openat" || index($0, d))) first = c[$1] }
      END { for (k in c) if (c[k] > n) n = c[k]; print (first ? first : 1), n + 0 }' "$W/count")
    local first=${range% *} n=${range#* }; [ "$n" -ge "$first" ] && [ "$n" -gt 0 ] || continue
    for i in $(chosen $((n - first + 1))); do
      i=$((i + first - 1)); put_back "$a"
      case $a in
        kill|cut*) inj="inject=$call:signal=KILL:when=$i";;
        *+) inj="inject=$call:error=${a%+}:when=$i+";;
        *) inj="inject=$call:error=$a:when=$i";;
      esac
      { strace -f -qq -o "$W/trace" -e "trace=$call" -e "$inj" $(command_of "$s") >"$W/out" 2>"$W/err"; RC=$?; } 2>/dev/null
      grep -qE 'INJECTED|SIGKILL' "$W/trace" || missed=$((missed + 1))
      if [ "${a#cut}" != "$a" ]; then
        cp --sparse=always "$W/img" "$W/after"    # the moment of the cut: nothing is synced before this
        if mount -o loop "$W/after" "$W/dead"; then
          at "$W/dead"; move_shelves; report "$s" "$a" "at $call #$i"; umount "$W/dead"
        else tried=$((tried + 1)); failed=$((failed + 1)); echo "BAD  $s $a at $call #$i: the file system does not mount"; fi
      else report "$s" "$a" "at $call #$i"; fi
    done
  done
}
# The copy of the image is mounted elsewhere: the shelves and what this computer remembers of the folder follow.
move_shelves() {
  [ ! -f "$V/shelves.toml" ] || sed -i "s|$W/d/|$W/dead/|" "$V/shelves.toml"
}
reading() { # whether what only reads works, on a disk that takes no more
  listed >"$W/history" || return 1
  f recall organ@1 --to - | cmp - "$IN/before/a.syx" || return 1
  f health >/dev/null 2>&1; case $? in 0|3) ;; *) f health; return 1;; esac
}
try_full() { # scenario: the disk is full but for so many KiB
  local s=$1 free
  for free in $(awk -v m="$MAX" 'BEGIN { n = split("0 1 2 4 8 12 16 20 24 28 32 36 40 48 56 64 72 80 96 112 128 160 192 256 384 512 768 1024 1536 2048", a, " "); if (m == 0 || m > n) m = n
      for (k = 0; k < m; k++) { i = 1; if (m != 1) i += int(k * (n - 1) / (m - 1) + .5); print a[i] } }'); do
    put_back cut
    # With the fill, not a byte is left; then FREE KiB are given back.
    dd if=/dev/zero of="$W/d/fill" bs=1k status=none 2>/dev/null; [ "$free" = 0 ] || truncate -s -"${free}K" "$W/d/fill"; sync -f "$W/d"
    $(command_of "$s") >"$W/out" 2>"$W/err"; RC=$?
    # Reading works while it is full.
    if [ "$s" != create ] && [ "$s" != rescue ]; then
      if ! reading >"$W/e" 2>&1; then
        tried=$((tried + 1)); failed=$((failed + 1)); echo "BAD  $s full with $free KiB free: reading does not work: $(tr '\n' ' ' <"$W/e" | head -c 400)"; continue; fi
    fi
    rm "$W/d/fill"; report "$s" full "with $free KiB free"
  done
}
try_read_only() { # the disk is mounted for reading only, cleanly and after a kill
  local s=$1 how
  for how in clean killed; do
    put_back cut
    # Killed when all is done but the catalogue's log lies beside it still.
    [ $how = clean ] || strace -f -qq -o /dev/null -e trace=unlink -e inject=unlink:signal=KILL:when=1+ "$BIN" --vault "$V" label organ@2 open >/dev/null 2>&1
    mount -o remount,ro "$W/d"
    $(command_of "$s") >"$W/out" 2>"$W/err"; RC=$?
    if [ $RC = 0 ]; then tried=$((tried + 1)); failed=$((failed + 1)); echo "BAD  $s on a read-only disk ($how) succeeded"; fi
    if ! reading >"$W/e" 2>&1; then
      tried=$((tried + 1)); failed=$((failed + 1)); echo "BAD  $s on a read-only disk ($how): reading does not work: $(tr '\n' ' ' <"$W/e" | head -c 400)"; fi
    mount -o remount,rw "$W/d"; report "$s" full "read-only, $how"
  done
}
one() { # scenario action
  local s=$1 a=$2; tried=0 failed=0 MODE=ordered SIZE=48M
  [ "$a" = cutw ] && MODE=writeback
  case $s in long) SIZE=200M;; esac
  at "$W/d"; : >"$W/acked.before"; umount "$W/d" 2>/dev/null; rm -rf "$W/d"; mkdir -p "$W/d"
  case $a in
    cut*) image >/dev/null 2>&1 || { echo "not run: $s $a (no loop mounts here)"; return; };;
    full) SIZE=16M; image -b 1024 >/dev/null 2>&1 || { echo "not run: $s $a (no loop mounts here)"; return; };;
  esac
  prepare "$s" >"$W/prepared" 2>&1 || { echo "BAD  $s cannot be prepared: $(tail -3 "$W/prepared" | tr '\n' ' ')"; wrong=$((wrong + 1)); return; }
  cp "$W/acked.before" "$W/acked.kept"
  case $a in cut*|full) umount "$W/d";; *) rm -rf "$W/before"; cp -a "$W/d" "$W/before";; esac
  # A run that nothing happens to: it is counted, and the check must be content with it.
  case $a in full) put_back cut;; *) put_back "$a";; esac
  strace -f -qq -o "$W/count" -e "trace=$(echo $CALLS | tr ' ' ,)" $(command_of "$s") >"$W/out" 2>"$W/err"; RC=$?
  case " $(good_codes "$s") " in *" $RC "*) ;; *) echo "BAD  $s fails with nothing wrong: exit $RC $(head -3 "$W/err" | tr '\n' ' ')"; wrong=$((wrong + 1)); return;; esac
  case $s in one|many|long|card) listed >"$W/history"; TAKES=$(takes_of "$W/history" | wc -l);; esac
  if ! ( check "$s" ) >"$W/verdict" 2>&1; then echo "BAD  $s: the check fails with nothing wrong: $(tail -1 "$W/verdict")"; wrong=$((wrong + 1)); return; fi
  case $a in
    full) try_full "$s"; case $s in one|many|label|card) try_read_only "$s";; esac;;
    *) try_calls "$s" "$a";;
  esac
  points=$((points + tried)); wrong=$((wrong + failed))
  echo "$s $a: $tried points, $failed bad (${SECONDS}s)"
}

make_input
if [ $SHORT = 1 ]; then
  MAX=3
  for pair in "one kill" "many kill" "mirror kill" "one ENOSPC+" "many EIO" "many cut" "one full"; do one ${pair% *} ${pair#* }; done
else
  for a in $ACTIONS; do for s in $SCENARIOS; do
    case $a-$s in full-long|full-fixity|full-repair|full-rescue) continue;; esac
    [ "$a" != full ] || [ "$PART" = 1 ] || continue
    one "$s" "$a"
  done; done
fi
echo "TOTAL points=$points bad=$wrong missed=$missed"
[ $wrong -eq 0 ]
