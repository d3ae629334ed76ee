package house

import "time"

// A FolderFile is a file of a folder that stills of a bell are taken from.
type FolderFile struct {
	Bell     string
	Name     string    // its path within the folder
	Size     int64     // bytes
	Modified time.Time // by the machine that wrote it
	Content  [32]byte  // SHA-256 of its bytes

	// Ring and Frame are what it is to become, or became. Ring is empty where it
	// was refused.
	Ring  string
	Frame int
	State FileState
}

// A FileState says what became of a file.
type FileState string

const (
	FileBegun   FileState = "begun"   // it is to be kept, and perhaps was
	FileTaken   FileState = "taken"   // it was kept
	FileQuiet   FileState = "quiet"   // it came at a time when nothing is kept
	FileRefused FileState = "refused" // it is no still
)
