// Package backup copies an archive to a folder of backups, and makes an archive
// of what is there:
//
//	report, err := backup.Write(ctx, archive, "/mnt/disk/backups", backup.Options{})
//	restored, err := backup.Restore(ctx, "/mnt/disk/backups", "/var/lib/lintel", backup.RestoreOptions{Key: key})
//
// What comes in is an open [store.Archive], which a server may go on using.
// What goes out are a snapshot in the folder and a [Report]. Copies can be
// encrypted to public keys of age's.
//
// # The folder
//
//	household                         names the archive by its random id, and the format
//	erasures                          ids of what was erased, see below
//	stills/QK/QK….still               one file a still, or with recipients
//	stills/QK/QK….9f0c….age           one encrypted to them; the name tells them apart
//	pieces/5e/5e….piece               32 KiB of the database's pages, or with recipients
//	pieces/5e/5e….9f0c….age           the same encrypted to them
//	keys/000003.000017                1024 slots of the keys, as they were from snapshot 17 on
//	snapshots/000017.20310504T183000Z/
//	    SHA256SUMS                    of all files that it needs but keys, for sha256sum(1)
//	    erasures                      the same list a second time
//	    passphrase.salt[.age]         where the archive has one
//	damaged/000018.20310505T183000Z/  the same of an archive that is damaged
//	incoming/                         what is being written; the next backup empties it
//
// Both lists, SHA256SUMS and erasures, end with a comment that has the SHA-256
// of all lines above it, so that a cut or changed one is known. Before it both have
// a keyed hash by the archive's master key of the lines above and of the
// snapshot that they were written with: a list of erasures that somebody forged or
// shortened, or an earlier one put back, is found by [Restore]. Which stills a
// snapshot has its database says, with the SHA-256 of each; SHA256SUMS names
// those of which there is a good copy, in the order of their files, and then the
// pieces of the database in the order of its pages. Folders of the formats before
// had the database of each snapshot in one file, and its keys in another: their
// snapshots are restored, and stay until newer ones take their places.
//
// Stills are sealed in the archive and stay so; with recipients everything is
// encrypted once more but household, the lists, which hold ids and hashes, and keys.
// The master key is in no backup: without a copy of it, kept elsewhere, no
// backup can be read.
//
// # What is new
//
// A still's file never changes, so snapshots share them, and only those that
// are not there yet are copied. Every still is read, here and there, and
// compared with its SHA-256: a copy that has gone bad is made anew. One that is
// missing or changed in the archive doesn't fail the backup; it is reported,
// and a good copy of it that is there stays in the snapshot.
//
// The database is copied page by page into the archive's own folder, where nothing of
// it stays, and cut into runs of eight pages. A run that some snapshot has already is a piece that
// is there, since pieces are named by a keyed hash of what they hold; it is read all the same, and
// made anew if it went bad. So a day's visits cost the pages that they changed. Runs of keys
// that did not change since the snapshot before have no second copy either.
// If neither the database nor a file has changed since the last snapshot, none is written.
//
// # What is good
//
// Before a snapshot takes its place the copy is vetted ([store.Snapshot.Vet]): SQLite's
// integrity check, every key, samples of all sealed values. That of an archive in which
// something is wrong goes beside, into damaged, where three stay; nothing that is in snapshots goes for
// it, and a restore takes it only by its name. Of sound ones the newest of each of the last 7 days, 4 weeks
// and 12 months that have any stay.
//
// What snapshots share would be lost to all when one file goes bad. So each 64 pieces
// have a spare one beside, the exclusive or of them all, of which [Restore] makes any one of them anew; a key is
// looked for in the other snapshots, and so is the salt. A still that goes bad is lost from the backup, unless
// the next one finds it in the archive.
//
// # What a crash leaves
//
// Everything is written below incoming, synced, and moved to its place; a
// snapshot's folder moves there last and whole. So a crash or a loss of power
// leaves the earlier snapshots as they were, and files that none of them names until the
// next backup removes them. In the archive's folder it may leave copying, the copy of the
// database without keys, until then.
//
// # Erasure
//
// What the archive erased since, or erases or lets go during the backup, is in
// no part of the new snapshot. Once that is in its place, the copies of erased
// stills are removed, whichever snapshot names them, and the keys of what was erased
// are overwritten in all copies of the folder; the ids of all that was erased are
// written there, so that [Restore] can respect them. Until then, and in every other
// folder and copy of one, a snapshot made before an erasure opens, with the master
// key, what was erased since. What the databases of older snapshots hold else of an
// erased visit or person (times, ids, and all that was sealed under the master key by
// versions before keys had slots) and copies of stills that a rule let go stay until
// those snapshots are gone. A backup with Keep 1 removes them now. A damaged archive erases
// too, unless the list of what was erased is what is damaged.
//
// So that keys can be overwritten without what opens an encrypted backup, the files
// keys are not encrypted to recipients. They hold nothing but keys under the archive's
// master key, for what is encrypted to them; each is authenticated by itself, so
// SHA256SUMS does without them.
package backup
