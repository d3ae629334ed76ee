package review

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// namedUpTo is the FPIR of the least sure match that is named.
const namedUpTo = 1e-2

// A stranger is doubtful whose nearest person is beyond naming, but not by more
// than leastNear says: five times the FPIR that would still be named.
const leastNear = namedUpTo / 5

// someStrangers bounds how many strangers are looked at for that.
const someStrangers = 2000

// A Doubt is a face that the household can be asked about: whether it is the
// person's.
type Doubt struct {
	house.Sighting
	Person   string  // id
	Name     string  // "" for a person who was erased
	Distance float64 // to the person's nearest reference
	FPIR     float64 // at that distance
	Band     string  // "" for a stranger

	rank float64 // how near to the line between named and not, see rankOf
}

// A Cursor is a place in the queue of doubts. Its zero value is before the
// most doubtful one.
type Cursor struct {
	rank float64
	face string
}

var (
	// ErrBadCursor says that a text is no place in the queue.
	ErrBadCursor = errors.New("this is no place among the doubtful visits")
	// ErrNobody says that there is no person to ask about.
	ErrNobody = errors.New("nobody is enrolled whom this face could be compared with")
)

// queueStart is before every doubt: ranks are at most namedUpTo.
var queueStart = Cursor{1, "~"}

// String writes the cursor for [ParseCursor], "" for the zero value.
func (c Cursor) String() string {
	if c == (Cursor{}) {
		return ""
	}
	return strconv.FormatUint(math.Float64bits(c.rank), 36) + "-" + c.face
}

// ParseCursor reads what [Cursor.String] wrote. The error is ErrBadCursor.
func ParseCursor(text string) (Cursor, error) {
	if text == "" {
		return Cursor{}, nil
	}
	bits, face, ok := strings.Cut(text, "-")
	n, err := strconv.ParseUint(bits, 36, 64)
	rank := math.Float64frombits(n)
	if !ok || err != nil || face == "" || len(face) > 64 || !(rank > 0 && rank <= 1) {
		return Cursor{}, ErrBadCursor
	}
	return Cursor{rank, face}, nil
}

// rankOf puts both kinds of doubt into one order, the most doubtful first and
// ranks falling: a named face by its FPIR, a stranger's by as much less than
// the limit of naming as its FPIR is more.
func rankOf(fpir float64, named bool) float64 {
	if named {
		return fpir
	}
	return min(namedUpTo, namedUpTo*namedUpTo/fpir)
}

func byDoubt(a, b Doubt) int {
	return cmp.Or(cmp.Compare(b.rank, a.rank), strings.Compare(b.ID, a.ID))
}

// Queue returns a page of what the household can be asked about, limit at most,
// and where the next page begins, the zero cursor after the last: weak and fair
// matches that nobody answered for, and strangers who were nearly named, those
// nearest to the line between named and not first.
func (r *Review) Queue(ctx context.Context, after Cursor, limit int) (page []Doubt, next Cursor, err error) {
	if after == (Cursor{}) {
		after = queueStart
	}
	named, err := r.archive.Doubtful(ctx, after.rank, after.face, limit+1)
	if err != nil {
		return nil, next, err
	}
	for _, x := range named {
		page = append(page, namedDoubt(x))
	}
	near, err := r.nearStrangers(ctx)
	if err != nil {
		return nil, next, err
	}
	for _, d := range near {
		if d.rank < after.rank || d.rank == after.rank && d.ID < after.face {
			page = append(page, d)
		}
	}
	slices.SortFunc(page, byDoubt)
	if len(page) > limit {
		page = page[:limit]
		next = Cursor{page[limit-1].rank, page[limit-1].ID}
	}
	return page, next, nil
}

func namedDoubt(x house.Sighting) Doubt {
	m := x.Face.Match
	return Doubt{x, m.Person, m.Name, m.Distance, m.FPIR, m.Band, rankOf(m.FPIR, true)}
}

func strangerDoubt(x house.Sighting, near Nearest, fpir float64) Doubt {
	return Doubt{Sighting: x, Person: near.Person, Distance: near.Distance, FPIR: fpir, rank: rankOf(fpir, false)}
}

// nearStrangers returns the strangers whose nearest person is just beyond
// naming: of each visit and person the nearest face, unless the visit has that
// person's name already, or somebody answered for one of these faces.
func (r *Review) nearStrangers(ctx context.Context) (near []Doubt, err error) {
	best, answered, err := r.nearestStrangers(ctx)
	if err != nil || len(best) == 0 {
		return nil, err
	}
	names, err := r.Names(ctx)
	if err != nil {
		return nil, err
	}
	visits := make([]string, len(best))
	for i, d := range best {
		visits[i] = d.Visit
	}
	named, err := r.archive.NamedOn(ctx, visits)
	if err != nil {
		return nil, err
	}
	for _, d := range best {
		about := house.Naming{Visit: d.Visit, Person: d.Person}
		d.Name = names[d.Person]
		if d.Name != "" && !answered[about] && !named[about] { // else erased or answered for
			near = append(near, d)
		}
	}
	return near, nil
}

// nearestStrangers returns of each visit and person the nearest of the newest strangers'
// faces that are doubtful, and of whom somebody said there whether it is them.
func (r *Review) nearestStrangers(ctx context.Context) (best []Doubt, answered map[house.Naming]bool, err error) {
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil || gallery.Size().Persons == 0 {
		return nil, nil, err
	}
	r.kept.mu.Lock()
	defer r.kept.mu.Unlock()
	if err := r.follow(ctx); err != nil {
		return nil, nil, err
	}
	answered = make(map[house.Naming]bool)
	visits, _ := r.kept.strangers.newest()
	for _, v := range visits {
		v.judgeStrangers(gallery)
		best = append(best, v.near...)
		for _, about := range v.answered {
			answered[about] = true
		}
	}
	return best, answered, nil
}

// nearestOnVisits returns of each visit and person the nearest face that is
// doubtful, and of whom somebody said there whether it is them.
func nearestOnVisits(
	strangers []house.Sighting, gallery *match.Gallery,
) (best map[house.Naming]Doubt, answered map[house.Naming]bool) {
	best, answered = make(map[house.Naming]Doubt), make(map[house.Naming]bool)
	for _, x := range strangers {
		if x.Check != nil {
			answered[house.Naming{Visit: x.Visit, Person: x.Check.Asked}] = true
			answered[house.Naming{Visit: x.Visit, Person: x.Check.Person}] = true
			continue
		}
		near := nearestOf(x.Face, gallery)
		fpir := gallery.FPIR(near.Distance)
		if rankOf(fpir, false) < leastNear {
			continue
		}
		about := house.Naming{Visit: x.Visit, Person: near.Person}
		if b, ok := best[about]; !ok || near.Distance < b.Distance {
			best[about] = strangerDoubt(x, near, fpir)
		}
	}
	return best, answered
}

// Doubt returns the doubt about one face, whether or not it is in the queue.
// The errors are house.ErrNotFound, house.ErrStillGone, and ErrNobody.
func (r *Review) Doubt(ctx context.Context, face string) (Doubt, error) {
	x, err := r.archive.Sighting(ctx, face)
	if err != nil {
		return Doubt{}, err
	}
	if !x.Kept() {
		return Doubt{}, house.ErrStillGone
	}
	if x.Face.Match != nil {
		return namedDoubt(x), nil
	}
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return Doubt{}, err
	}
	near := nearestOf(x.Face, gallery)
	if x.Check != nil && x.Check.Asked != "" { // it was about this person
		near = Nearest{x.Check.Asked, x.Check.AskedDistance}
	}
	if near.Person == "" || x.Check != nil && x.Check.Asked == "" {
		if x.Check != nil {
			return Doubt{Sighting: x}, nil // somebody said whose it is, and nobody had asked
		}
		return Doubt{}, ErrNobody
	}
	d := strangerDoubt(x, near, gallery.FPIR(near.Distance))
	names, err := r.Names(ctx)
	d.Name = names[d.Person]
	return d, err
}

// A Nearest is the person nearest to a face.
type Nearest struct {
	Person   string  // id; "" in an empty gallery
	Distance float64 // infinite in an empty gallery
}

func nearestOf(f house.Face, g *match.Gallery) Nearest {
	if scores := g.Scores(match.ProbeOf(f)); len(scores) > 0 {
		return Nearest{scores[0].Person, scores[0].Distance}
	}
	return Nearest{Distance: math.Inf(1)}
}

// distanceTo returns the distance to a person, infinite where they have no
// reference.
func distanceTo(person string, scores []match.Score) float64 {
	for _, s := range scores {
		if s.Person == person {
			return s.Distance
		}
	}
	return math.Inf(1)
}

// comparedWith is how many earlier stills a face is shown beside, chosen among
// some of those that there are.
const (
	comparedWith = 3
	amongSurest  = 50
)

// Earlier returns faces that surely are the person's, on other visits, one of
// each and three at most, those nearest to the face first. References keep no
// picture, so these stand for them.
func (r *Review) Earlier(ctx context.Context, d Doubt) (shown []house.Sighting, err error) {
	all, err := r.surelyOf(ctx, d.Person)
	if err != nil {
		return nil, err
	}
	to := func(x *house.Sighting) float64 { return match.Distance(&d.Face.Descriptor, &x.Face.Descriptor) }
	slices.SortStableFunc(all, func(a, b house.Sighting) int { return cmp.Compare(to(&a), to(&b)) })
	seen := map[string]bool{d.Visit: true}
	for _, x := range all {
		if !seen[x.Visit] && len(shown) < comparedWith {
			seen[x.Visit] = true
			shown = append(shown, x)
		}
	}
	return shown, nil
}
