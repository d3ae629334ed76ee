package main

import "github.com/alecthomas/kong"

// description is what --help begins with.
const description = "Says who rang at a home-built doorbell, keeps the stills in the house, and never moves a lock."

// longHelp is what flags and --help say where a tag has no room for it.
var longHelp = kong.Vars{
	"bell_projection": "straight, if lines stay straight, or equidistant, as a fisheye.",
	"bell_height":     "Metres from the ground where visitors stand to the lens, 0.3 to 3.",
	"bell_tilt":       "Degrees that it looks down, -45 to 60; up is below 0, written --tilt=-5.",
	"source_kind": "phone, which tells that its person came home and their one-time codes, or reader, a local system " +
		"that sees tokens.",
	"source_person": "The id or name of whose phone it is; of a reader, whose tokens it may tell of, if not everybody's.",
	"key_key": "The file with the master key; made with the archive where there is none. Without it: the service " +
		"manager's credential lintel-key, or lintel/master.key in your configuration folder.",
	"key_passphrase": "A file with a passphrase that the master key is derived from, instead.",
	"hold_until": "Until when: a date such as 2026-12-24, kept that whole day, or a time in RFC 3339; a year ahead at " +
		"most.",
	"person_withdraw": "Withdraw a person's consent: references go, and visits that name them stay as a stranger's.",
	"person_consent":  "Recognising my face at the door from references kept on this server, until I withdraw this.",
	"accuracy_groups": "A CSV file that says which group each person is of, to report on each group besides.",
	"receiver_add": "Add a receiver of advice at a door and print its ids, key and MQTT token, which are shown only " +
		"now.",
	"ring_files": "Photographs, the frames of the ring in their order; or a folder, for a burst of its newest " +
		"pictures, a third of a second apart, as a bell has to send them. A camera may be writing there.",
	"ring_frames": "How many frames a burst from a folder has, 1 to 16.",
	"ring_secret": "The bell's secret; better in the environment, where other users don't see it.",
	"liveness_by": "A CSV file that says whom each ring shows and how it was taken, to report on each condition " +
		"besides.",
	"serve_tls_cert": "A file with the server's certificate, in PEM.",
	"serve_mqtt_listen": "An address to be an MQTT broker on, for sources of factors and receivers of advice. Without " +
		"it there " +
		"is none.",
	"token_scope": "What it may do: read-visits, read-advice or manage-sources; may be given several times. README.md " +
		"says what each opens.",
	"export_out":          "The zip file to make, which must not be there yet; - for standard output.",
	"export_recipient":    "Encrypt it to this age recipient; may be given several times.",
	"backup_dir":          "The folder of backups, such as one on another disk; made where there is none.",
	"backup_keep":         "How many snapshots stay; the stills that only older ones need go with them.",
	"restore_identity":    "A file with the age identity that opens an encrypted backup.",
	"restore_snapshot":    "Which snapshot, by its name in DIR/snapshots; the newest if not said.",
	"restore_erasures_of": "Respect also the erasures of the archive in this folder, of the same household.",
	"verify_erased": "Prove instead that this visit, person or still (by the name of its file) was erased and has " +
		"left nothing.",
}
