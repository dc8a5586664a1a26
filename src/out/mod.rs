//! Back again: takes to files, shelves to vaults.
