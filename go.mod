module lintel

go 1.26.0

require (
	filippo.io/age v1.3.2
	github.com/BurntSushi/toml v1.6.0
	github.com/Kagami/go-face v0.0.0-20210630145111-0c14797b4d0e
	github.com/alecthomas/kong v1.17.0
	github.com/alexedwards/argon2id v1.0.0
	github.com/boombuler/barcode v1.0.1-0.20190219062509-6c824513bacc
	github.com/chromedp/chromedp v0.23.0
	github.com/disintegration/imaging v1.6.2
	github.com/eclipse/paho.mqtt.golang v1.5.1
	github.com/esimov/pigo v1.4.6
	github.com/gorilla/websocket v1.5.3
	github.com/mattn/go-isatty v0.0.24
	github.com/mochi-mqtt/server/v2 v2.7.9
	github.com/nicksnyder/go-i18n/v2 v2.7.0
	github.com/nlpodyssey/gopickle v0.2.0
	github.com/pquerna/otp v1.5.0
	golang.org/x/crypto v0.59.0
	golang.org/x/image v0.25.0
	golang.org/x/sync v0.25.0
	golang.org/x/text v0.44.0
	golang.org/x/time v0.16.0
	gonum.org/v1/gonum v0.17.0
	modernc.org/sqlite v1.62.0
)

require (
	filippo.io/hpke v0.4.0 // indirect
	github.com/chromedp/cdproto v0.159.0 // indirect
	github.com/dustin/go-humanize v1.1.0 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/ncruces/go-strftime v1.1.0 // indirect
	github.com/remyoudompheng/bigfft v0.0.0-20230129092748-24d4a6f8daec // indirect
	github.com/rs/xid v1.4.0 // indirect
	golang.org/x/exp/typeparams v0.0.0-20231108232855-2478ac86f678 // indirect
	golang.org/x/mod v0.42.0 // indirect
	golang.org/x/net v0.62.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/tools v0.52.0 // indirect
	honnef.co/go/tools v0.8.2 // indirect
	modernc.org/libc v1.80.1 // indirect
	modernc.org/mathutil v1.7.1 // indirect
	modernc.org/memory v1.12.1 // indirect
)

tool honnef.co/go/tools/cmd/staticcheck
