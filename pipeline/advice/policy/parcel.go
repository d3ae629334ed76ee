package policy

import "lintel/internal/house"

// parcelConditions are those of a parcel at a door, in the order they are
// shown in.
var parcelConditions = []condition{
	{On, (*question).on},
	{Home, (*question).homeForParcels},
	{Wait, (*question).wait},
	{Door, (*question).door},
	{Place, (*question).place},
	{Fresh, (*question).fresh},
	{Healthy, (*question).healthy},
	{Clock, (*question).clock},
	{Expected, (*question).expected},
	{Nobody, (*question).nobody},
}

// DecideParcel works out whether to suggest opening a door for parcels, such as
// a garage, a porch or a box, to whoever brings one that is expected. Nobody
// needs to be known: that a parcel is expected now, and the bell rang, is all
// there is to go by. So it is never for the house's own door, each rule is good
// for one suggestion, and the suggestion holds no longer than the rule says and
// the parcel is expected. The conditions are on, home, wait, door, place,
// fresh, bell, clock, expected, nobody, and picture where a face looks like one;
// with the same rule about doubt as [Decide].
//
// It does not protect from a stranger who rings within that time, by chance or
// since they know of the parcel: whatever stands in the garage or on the porch
// is in their reach, and so is any inner door that is not locked. It does not
// tell who came, whether a parcel was left, or a courier from somebody dressed
// as one; a second courier on the same day finds the rule used. Keep what is
// expected and the time span short, and lock what lies behind.
func DecideParcel(in Input) house.Advice {
	q := ask(in)
	a := q.advice()
	rule := q.parcelRule()
	if rule != nil {
		a.Parcel = rule.ID
	}
	var met bool
	a.Conditions, met = q.judge(parcelConditions, (*question).anybody)
	if !met {
		return a
	}
	a.State, a.ExpiresAt = house.Suggested, in.Now.Add(rule.Window)
	if rule.To.Before(a.ExpiresAt) {
		a.ExpiresAt = rule.To
	}
	return a
}

func (q *question) homeForParcels() finding {
	f := q.home()
	if !f.met && q.House != nil && q.House.ParcelsWhileAway {
		return finding{true, append(f.why, house.Reason{Code: homeParcels})}
	}
	return f
}

func (q *question) place() finding {
	told := house.Values{Door: q.Door.ID}
	if !q.Door.Parcel {
		return no(placeIsNot, told)
	}
	return yes(placeIs, told)
}

// parcelRule returns the rule that the advice goes by: of those that can be
// followed now the one that ends first. It is nil if there is none.
func (q *question) parcelRule() *house.ParcelRule {
	var first *house.ParcelRule
	for i := range q.Parcels {
		r := &q.Parcels[i]
		if CheckParcel(*r, q.Door) != nil || r.UsedBy != "" || q.Now.Before(r.From) || !q.Now.Before(r.To) {
			continue
		}
		if first == nil || r.To.Before(first.To) || r.To.Equal(first.To) && r.ID < first.ID {
			first = r
		}
	}
	return first
}

func (q *question) expected() finding {
	if r := q.parcelRule(); r != nil {
		return yes(parcelExpected, house.Values{Until: r.To, Note: r.Note})
	}
	used, later := 0, 0
	for _, r := range q.Parcels {
		switch {
		case CheckParcel(r, q.Door) != nil:
		case r.UsedBy != "":
			used++
		default:
			later++
		}
	}
	return no(parcelNone, house.Values{Door: q.Door.ID, Count: used, Of: later})
}

// nobody asks that no rule keeps away whoever is known at the door, which is a
// reason for a resident to look.
func (q *question) nobody() finding {
	if fault := q.unexamined(); fault != "" {
		return no(fault, none)
	}
	for _, v := range q.visitors {
		switch {
		case q.Rules == nil || !q.at.known || v.ruling.fault != nil:
			return no(nobodyUnknown, of(v))
		case len(v.ruling.never) > 0:
			return no(nobodyNever, of(v))
		}
	}
	return yes(nobodyKeptAway, none)
}
