package bell

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"time"

	"lintel/internal/house"
)

// A Page is what a bell has to show, as it is told by HTTP and MQTT. Where there is
// no message all its places are spaces: a bell may write what it gets and know no
// more.
type Page struct {
	Message string    `json:"message"`        // id, to be named when it is shown; "" for none
	Until   time.Time `json:"until,omitzero"` // when the display is to be cleared
	Columns int       `json:"columns"`
	Rows    int       `json:"rows"`
	ROM     house.ROM `json:"rom"`
	Lines   []string  `json:"lines"`
	Bytes   []byte    `json:"bytes"` // in base64
}

// NewPage is what a display has to show of a message at t: nothing, once its time is over.
func NewPage(d house.Display, m house.Message, t time.Time) Page {
	p := Page{Columns: d.Columns, Rows: d.Rows, ROM: d.ROM}
	text := ""
	if m.ID != "" && m.Open(t) {
		p.Message, p.Until, text = m.ID, m.Until.UTC(), m.Text
	}
	s := Draw(d, text)
	p.Lines, p.Bytes = s.Lines, s.Bytes
	return p
}

// JSON is the page as it is told.
func (p Page) JSON() []byte {
	text, err := json.Marshal(p)
	if err != nil {
		panic(fmt.Sprintf("a page has nothing that JSON has not: %v", err))
	}
	return text
}

// Tag is an entity tag for the page (RFC 9110, section 8.8.3): two pages that are
// told alike have the same.
func (p Page) Tag() string {
	hash := sha256.Sum256(p.JSON())
	return `"` + base64.RawURLEncoding.EncodeToString(hash[:12]) + `"`
}

// An Almanac knows what stands in the places of texts.
type Almanac interface {
	Outside(ctx context.Context) (celsius float64, at time.Time, err error)
}

// freshFor is how long a temperature is good that was told.
const freshFor = time.Hour

// Now returns what stands in the places of a text at t, by the clock of the zone,
// but for minutes and names.
func Now(ctx context.Context, a Almanac, t time.Time, zone *time.Location) (Values, error) {
	v := Values{Time: t.In(zone).Format("15:04")}
	celsius, at, err := a.Outside(ctx)
	if age := t.Sub(at); err == nil && !at.IsZero() && age < freshFor && age > -time.Minute {
		v.Celsius = &celsius
	}
	return v, err
}
