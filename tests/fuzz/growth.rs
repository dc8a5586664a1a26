//! Four times the worst input takes about four times as long: only with FARSHELF_SLOW, as it measures time.
