package backup

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"filippo.io/age"
)

// NewIdentity makes a pair of age's keys: the one that opens backups, and the one to encrypt
// them to.
func NewIdentity() (identity, recipient string, err error) {
	i, err := age.GenerateX25519Identity()
	if err != nil {
		return "", "", fmt.Errorf("making a pair of keys: %w", err)
	}
	return i.String(), i.Recipient().String(), nil
}

// ParseRecipients reads public keys of age's, one each. The error is
// ErrBadRecipient.
func ParseRecipients(keys []string) (all []age.Recipient, err error) {
	for _, key := range keys {
		r, err := age.ParseRecipients(strings.NewReader(key))
		if err != nil || len(r) != 1 {
			return nil, fmt.Errorf("%w: %q; one begins with age1, and age-keygen makes one", ErrBadRecipient, key)
		}
		all = append(all, r...)
	}
	return all, nil
}

// parseRecipients returns the recipients, and what the names of stills that are
// encrypted to them end in: other recipients need other copies.
func parseRecipients(keys []string) (all []age.Recipient, suffix string, err error) {
	if all, err = ParseRecipients(keys); err != nil {
		return nil, "", err
	}
	if len(all) == 0 {
		return nil, stillSuffix, nil
	}
	keys = slices.Sorted(slices.Values(keys))
	hash := sha256.Sum256([]byte(strings.Join(slices.Compact(keys), "\n")))
	return all, "." + hex.EncodeToString(hash[:8]) + ageSuffix, nil
}
