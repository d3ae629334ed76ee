package broker

import "lintel/internal/house"

// Where programs of the household hear of visits.
const (
	visitsTopic = "visits"
	namedTopic  = "visits/named"
)

// programHears reports whether a program may listen to a topic.
func (b *Broker) programHears(s house.Scopes, topic string) bool {
	_, display := b.displayOf(topic)
	switch {
	case topic == b.Prefix+"/"+visitsTopic:
		return s.Has(house.HearVisits)
	case topic == b.Prefix+"/"+namedTopic:
		return s.Has(house.HearNames)
	}
	return display && s.Has(house.HearDisplays)
}
