// Package fortnight plays two weeks at an invented household's doors, as
// fortnight.toml tells them: who rings when, in what weather and by what light,
// what phones report, when a bell goes quiet, and what the household answers,
// holds and erases.
//
// What comes in are the story, a time that is now, and a [House] in which it all
// happens. What goes out are acts in the order of time: the past, played as fast as
// its stills are drawn, with a clock that is set to each; and then rings that follow
// one another, at a pace.
//
//	story, err := fortnight.Load("en")
//	p := fortnight.Player{Story: story, House: house, Clock: clock}
//	err = p.Fill(ctx, time.Now(), progress) // the thirteen days before today, and today until now
//	err = p.Live(ctx, pace)                 // until the context is done
//
// Each ring says what is true of it ([Expected]), so that what a machine found can
// be compared with that. The same now gives the same events, and the same pictures.
package fortnight
