package policy

import "lintel/internal/house"

// parcelConditions are those of a parcel at a door, in the order they are
// shown in.
var parcelConditions = []condition{
	{On, (*question).on},
	{Home, (*question).homeForParcels},
	{Door, (*question).door},
	{Place, (*question).place},
	{Fresh, (*question).fresh},
	{Healthy, (*question).healthy},
	{Clock, (*question).clock},
	{Expected, (*question).expected},
	{Nobody, (*question).nobody},
}

// DecideParcel works out whether to suggest opening a door for parcels, such as
// a garage, a porch or a box, to a stranger who brings one that is expected. That a
// parcel is expected when the bell rings, and nobody known rings it, is all there
// is to go by. So it is never for the house's own door, each rule is good
// for one suggestion and each ring for one, and the suggestion holds no longer than
// the rule says and the parcel is expected. Where anybody known can be seen, a
// family member comes home, and the parcel is still to come. The conditions are on,
// home, door, place, fresh, bell, clock, expected, nobody, and picture where a face
// looks like one; with the same rule about doubt as [Decide].
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
		return finding{met: true, why: append(f.why, house.Reason{Code: homeParcels})}
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
// followed now, and could when it rang, the one that ends first; of a suggestion
// that is judged anew the one that it took. It is nil if there is none.
func (q *question) parcelRule() *house.ParcelRule {
	var first *house.ParcelRule
	for i := range q.Parcels {
		r := &q.Parcels[i]
		if CheckParcel(*r, q.Door) != nil || r.UsedBy != "" || q.Visit.ReceivedAt.Before(r.From) || q.Now.Before(r.From) ||
			!q.Now.Before(r.To) || q.Open != nil && r.ID != q.Open.Parcel {
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

// nobody asks that only strangers ring, and for nothing else: whoever is known
// comes home, or is kept away, and brings no parcel.
func (q *question) nobody() finding {
	if fault := q.unexamined(); fault != "" {
		return no(fault, none)
	}
	switch {
	case len(q.visitors) > 0:
		return no(nobodyButKnown, house.Values{Persons: q.persons()})
	case len(q.spoken) > 0:
		return no(nobodyButKnown, house.Values{Persons: q.spoken})
	case q.Elsewhere:
		return no(nobodyElse, none)
	}
	return yes(nobodyButStrangers, none)
}
