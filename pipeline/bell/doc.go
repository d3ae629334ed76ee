// Package bell is what goes back to a bell, and how well it is: the lines of its
// display, its heartbeat and its health.
//
// # Messages
//
// What comes in is a text that somebody chose or typed, or that a rule of the
// household has, and what the bell's display is like. What goes out is a [Screen]:
// lines as people read them, and a byte for each place as the display's controller
// takes it.
//
//	text := bell.Fill("Hello!\n{time}", bell.Values{Time: "15:04"})
//	screen := bell.Draw(house.UsualDisplay, text)
//	screen.Lines // four lines of 20 characters, as they will be seen
//	screen.Bytes // 80 bytes for an HD44780U, row by row
//
// A [Porter] sends what the rules say when somebody rings, notes which messages no
// bell took, and tells whoever publishes what each display has to show.
//
// A message tells whoever stands at the door something of the household. So no
// rule is on unless the household turns it on, and a name is filled in by one rule
// alone, for somebody who was surely recognised.
package bell
