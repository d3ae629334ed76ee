// Package house has the words that all of Lintel speaks: what a household is,
// what happens at its doors, and what it decided about that.
//
// A bell's ring makes a [Visit], of [Still]s with [Face]s on them. What is found
// of a face hangs on it: how well it can be judged ([Quality]), whether it may be
// a picture's ([Liveness]), whose it probably is ([Match]). What residents say to
// that are [Check]s. Persons are enrolled with their [Consent], by [Reference]s.
// [Rules] say how long all of that is kept and what never is:
//
//	goes := rules.Schedule(visit).GoesAt
//	quiet := rules.QuietAt(time.Now())
//
// What may be suggested at a [Door] is said by [DoorRule]s, [ParcelRule]s and
// [AdviceRules]; [Factor]s are evidence other than faces, and [Advice] is what
// came of it, with each [Condition].
//
// Everything here is plain: values, and pure functions of them. Nothing is read,
// kept or looked at, no clock is asked but by whoever calls, and only the standard
// library is imported, so that every package can speak of a visit without taking
// in a database. Package store keeps these values, and finds them again; errors
// that callers of it test for, and that are about them, are here as well.
package house

import "errors"

// Errors of whatever is looked for, or added, by a name or an id.
var (
	// ErrNotFound says that there is nothing of that name or id.
	ErrNotFound = errors.New("not found")
	// ErrExists says that the name is taken.
	ErrExists = errors.New("already there")
)
