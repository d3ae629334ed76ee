package store

import (
	"fmt"
	"syscall"

	"lintel/internal/house"
)

// maxReserve is the most that is kept free of a disk for the database, in
// bytes: letting visits go takes some room before it makes any.
const maxReserve = 32 << 20

// checkDiskSpace reports whether the disk has room for that many bytes and, beyond
// them, for the archive to go on with: a hundredth of it or maxReserve. The
// error is ErrNoSpace. So a disk that stills have filled up can still be swept,
// erased from and written to by everything else.
func (a *Archive) checkDiskSpace(bytes int) error {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(a.dir, &disk); err != nil {
		return fmt.Errorf("asking how full the disk is: %w", err)
	}
	block := uint64(disk.Bsize)
	reserve := min(disk.Blocks*block/100, maxReserve)
	if a.fillUp {
		reserve = 0
	}
	if disk.Bavail*block < uint64(bytes)+reserve {
		return fmt.Errorf("%w: the disk has %d MB left, which the database needs", house.ErrNoSpace, disk.Bavail*block>>20)
	}
	return nil
}
