package store

// syncFolder has nothing to do: Windows keeps names with their file.
func syncFolder(string) {}
