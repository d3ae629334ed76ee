package web

import (
	"cmp"
	"context"
	"crypto/sha256"
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

// A doubt is a face that the household can be asked about: whether it is the
// person's.
type doubt struct {
	house.Sighting
	Person   string // id
	Name     string
	Distance float64 // to the person's nearest reference
	FPIR     float64 // at that distance
	Band     string  // "" for a stranger
	rank     float64 // how near to the line between named and not, see rankOf
}

// A queueCursor is a place in the queue of doubts. Its zero value is before the
// most doubtful one.
type queueCursor struct {
	rank float64
	face string
}

var errBadQueueCursor = errors.New("this is no place among the doubtful visits")

// queueStart is before every doubt: ranks are at most namedUpTo.
var queueStart = queueCursor{1, "~"}

func (p queueCursor) String() string {
	if p == (queueCursor{}) {
		return ""
	}
	return strconv.FormatUint(math.Float64bits(p.rank), 36) + "-" + p.face
}

func parseQueueCursor(text string) (queueCursor, error) {
	if text == "" {
		return queueCursor{}, nil
	}
	bits, face, ok := strings.Cut(text, "-")
	n, err := strconv.ParseUint(bits, 36, 64)
	rank := math.Float64frombits(n)
	if !ok || err != nil || face == "" || len(face) > 64 || !(rank > 0 && rank <= 1) {
		return queueCursor{}, errBadQueueCursor
	}
	return queueCursor{rank, face}, nil
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

func (d doubt) cursor() queueCursor { return queueCursor{d.rank, d.ID} }

func byDoubt(a, b doubt) int {
	return cmp.Or(cmp.Compare(b.rank, a.rank), strings.Compare(b.ID, a.ID))
}

// reviewQueue returns a page of the queue, and where the next begins, the zero place
// after the last.
func (s *Server) reviewQueue(ctx context.Context, after queueCursor, limit int) (page []doubt, next queueCursor, err error) {
	if after == (queueCursor{}) {
		after = queueStart
	}
	named, err := s.Archive.Doubtful(ctx, after.rank, after.face, limit+1)
	if err != nil {
		return nil, next, err
	}
	for _, n := range named {
		page = append(page, doubtOf(n, nearest{n.Face.Match.Person, n.Face.Match.Distance}, n.Face.Match.FPIR))
		page[len(page)-1].Name = n.Face.Match.Name
	}
	near, err := s.nearStrangers(ctx)
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
		next = page[limit-1].cursor()
	}
	return page, next, nil
}

func doubtOf(s house.Sighting, near nearest, fpir float64) doubt {
	d := doubt{Sighting: s, Person: near.person, Distance: near.distance, FPIR: fpir, rank: rankOf(fpir, s.Face.Match != nil)}
	if s.Face.Match != nil {
		d.Band = s.Face.Match.Band
	}
	return d
}

// nearStrangers returns the strangers whose nearest person is just beyond
// naming: of each visit and person the nearest face, unless the visit has that
// person's name already, or somebody answered for one of these faces.
func (s *Server) nearStrangers(ctx context.Context) ([]doubt, error) {
	strangers, err := s.Archive.Strangers(ctx, someStrangers)
	if err != nil || len(strangers) == 0 {
		return nil, err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil || gallery.Size().Persons == 0 {
		return nil, err
	}
	best, settled := make(map[house.Naming]doubt), make(map[house.Naming]bool)
	for _, x := range strangers {
		if x.Check != nil {
			settled[house.Naming{Visit: x.Visit, Person: x.Check.Asked}] = true
			settled[house.Naming{Visit: x.Visit, Person: x.Check.Person}] = true
			continue
		}
		near := nearestOf(x.Face, gallery)
		fpir := gallery.FPIR(near.distance)
		if rankOf(fpir, false) < leastNear {
			continue
		}
		about := house.Naming{Visit: x.Visit, Person: near.person}
		if b, ok := best[about]; !ok || near.distance < b.Distance {
			best[about] = doubtOf(x, near, fpir)
		}
	}
	names, err := s.personNames(ctx)
	if err != nil {
		return nil, err
	}
	visits := make([]string, 0, len(best))
	for about := range best {
		visits = append(visits, about.Visit)
	}
	named, err := s.Archive.NamedOn(ctx, visits)
	if err != nil {
		return nil, err
	}
	var near []doubt
	for about, d := range best {
		d.Name = names[d.Person]
		if d.Name != "" && !settled[about] && !named[about] { // else erased or answered for
			near = append(near, d)
		}
	}
	return near, nil
}

// personNames returns the names of all persons, by id.
func (s *Server) personNames(ctx context.Context) (map[string]string, error) {
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	names := make(map[string]string, len(persons))
	for _, p := range persons {
		names[p.ID] = p.Name
	}
	return names, nil
}

// doubtAbout returns the doubt about one face, whether or not it is in the
// queue. The error is house.ErrNotFound, house.ErrStillGone, or errNobody where
// no person is enrolled to ask about.
func (s *Server) doubtAbout(ctx context.Context, face string) (doubt, error) {
	x, err := s.Archive.Sighting(ctx, face)
	if err != nil {
		return doubt{}, err
	}
	if !x.Kept() {
		return doubt{}, house.ErrStillGone
	}
	if m := x.Face.Match; m != nil {
		d := doubtOf(x, nearest{m.Person, m.Distance}, m.FPIR)
		d.Name = m.Name
		return d, nil
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return doubt{}, err
	}
	near := nearestOf(x.Face, gallery)
	if x.Check != nil { // it was about this person
		near = nearest{x.Check.Asked, x.Check.AskedDistance}
	}
	if near.person == "" {
		return doubt{}, errNobody
	}
	d := doubtOf(x, near, gallery.FPIR(near.distance))
	names, err := s.personNames(ctx)
	d.Name = names[d.Person]
	return d, err
}

var errNobody = errors.New("nobody is enrolled whom this face could be compared with")

// A nearest is the person nearest to a face.
type nearest struct {
	person   string // "" in an empty gallery
	distance float64
}

// nearestOf finds the person nearest to a face.
func nearestOf(f house.Face, g *match.Gallery) nearest {
	if scores := g.Scores(match.ProbeOf(f)); len(scores) > 0 {
		return nearest{scores[0].Person, scores[0].Distance}
	}
	return nearest{distance: math.Inf(1)}
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

// comparedWith is how many earlier stills a face is shown beside.
const comparedWith = 3

// earlier returns faces that surely are the person's, on other visits, those
// nearest to the face first. References keep no picture, so these stand for
// them.
func (s *Server) earlier(ctx context.Context, d doubt) ([]house.Sighting, error) {
	all, err := s.Archive.SurelyOf(ctx, d.Person, 50)
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b house.Sighting) int {
		return cmp.Compare(match.Distance(&d.Face.Descriptor, &a.Face.Descriptor), match.Distance(&d.Face.Descriptor, &b.Face.Descriptor))
	})
	seen := map[string]bool{d.Visit: true}
	var shown []house.Sighting
	for _, x := range all {
		if !seen[x.Visit] && len(shown) < comparedWith {
			seen[x.Visit] = true
			shown = append(shown, x)
		}
	}
	return shown, nil
}

// referenceFrom makes a reference of a face on a still, for [faultOf] finds no
// fault with it. The still's id stands for the picture: its bytes change where it
// is masked or made smaller.
func referenceFrom(x house.Sighting, person string) house.Reference {
	return house.Reference{
		Person: person, Descriptor: x.Face.Descriptor, FaceWidth: widthOf(x.Face), Quality: scoreOf(x.Face),
		SourceSHA256: sha256.Sum256([]byte("still " + x.Still)),
	}
}

// namedAs returns the match that a face gets once the household said whose it
// is: at its distance from that person, nil where that is too far to be named,
// since a band says what the faces alone do.
func namedAs(person string, distance float64, f house.Face, g *match.Gallery) *house.Match {
	band := g.BandOf(distance)
	if band == match.None {
		return nil
	}
	if band == match.Strong && match.ProbeOf(f).Poor {
		band = match.Fair
	}
	return &house.Match{Person: person, Distance: distance, FPIR: g.FPIR(distance), Band: string(band)}
}

// A revision is a past finding that would be another one now.
type revision struct {
	house.Sighting
	Becomes *house.Match
}

// lookBackDays is how long back past visits are judged anew, and for how many
// faces at most.
const (
	lookBackDays  = 30
	lookBackFaces = 5000
)

// revisions returns the faces of the last days that the present gallery would
// name otherwise, or with another band, newest first. Those that somebody
// answered for are settled.
func (s *Server) revisions(ctx context.Context) ([]revision, error) {
	sightings, _, err := s.Archive.Sightings(ctx, s.Now().AddDate(0, 0, -lookBackDays), lookBackFaces)
	if err != nil {
		return nil, err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	names, err := s.personNames(ctx)
	if err != nil {
		return nil, err
	}
	var all []revision
	for _, x := range judgedAnew(sightings, gallery) {
		if x.Check != nil || finding(x.Becomes) == finding(x.Face.Match) {
			continue
		}
		if x.Becomes != nil {
			x.Becomes.Name = names[x.Becomes.Person]
		}
		all = append(all, x)
	}
	return all, nil
}

// judgedAnew judges faces as the pipeline would now, those of one ring
// together.
func judgedAnew(sightings []house.Sighting, gallery *match.Gallery) (all []revision) {
	for len(sightings) > 0 {
		n := 1
		for n < len(sightings) && sightings[n].Visit == sightings[0].Visit {
			n++
		}
		visit := slices.Clone(sightings[:n])
		sightings = sightings[n:]
		slices.SortStableFunc(visit, func(a, b house.Sighting) int { return a.Frame - b.Frame })
		var frames [][]house.Face
		for i, x := range visit {
			if i == 0 || x.Frame != visit[i-1].Frame {
				frames = append(frames, nil)
			}
			frames[len(frames)-1] = append(frames[len(frames)-1], x.Face)
		}
		gallery.IdentifyRing(frames)
		for i, f := range slices.Concat(frames...) {
			all = append(all, revision{visit[i], f.Match})
		}
	}
	return all
}

// finding names what a match says, for comparing: the person and the band.
func finding(m *house.Match) string {
	if m == nil {
		return ""
	}
	return m.Person + " " + m.Band
}
