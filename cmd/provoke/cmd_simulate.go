package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

type simulateCommand struct {
	Listen    string        `default:"127.0.0.1:0" placeholder:"HOST:PORT" help:"Where the sockets listen: port 0 takes free ports, any other takes eight in a row for raw sockets, eight more for HiSLIP, two for VXI-11, one for a camera and one for a microphone (${default})."`
	Transport []string      `enum:"raw,vxi11,hislip" default:"raw" help:"How the instruments are served: raw, vxi11, hislip, or several with commas between (${default}). The bench file names the first."`
	Address   string        `enum:"first,raw,vxi11,hislip" default:"first" help:"The transport that the bench file names instead: raw, vxi11, hislip."`
	Mapper    int           `default:"0" placeholder:"PORT" help:"Port of VXI-11's port mapper. 0 takes 111, where every other client asks, when that may be had (it takes root), else a free one."`
	Speed     float64       `default:"1" help:"Time constants and text output run so many times faster than the clock (${default})."`
	Seed      uint64        `default:"0" help:"Varies cable, ends, the product's bands, thresholds and fix (${default})."`
	Fault     []string      `placeholder:"KIND@INSTRUMENT" help:"Something that goes wrong, e.g. silent@analyser:after=20. May be repeated."`
	Fixture   string        `enum:"cable,jig50,jig150" default:"cable" help:"What the clamp is closed around: cable, jig50, jig150 (${default})."`
	Part      []string      `placeholder:"NAME" help:"A part that is on the product from the start: ferrite, capacitor, strap, clip-on. May be repeated."`
	Wander    float64       `default:"0" placeholder:"DB" help:"Lets the product's onsets wander by so much at most, within half an hour of the bench (${default})."`
	Spread    float64       `default:"0" placeholder:"DB" help:"Standard deviation of the product's onsets from exposure to exposure (${default})."`
	Generator string        `enum:"function,signal" default:"function" help:"Kind of generator: function or signal (${default})."`
	Truth     string        `placeholder:"FILE" help:"Write what the simulator knows of the product, as JSON."`
	Camera    bool          `help:"A camera that looks at the weigher's display and lamp, as a stream and as still pictures over HTTP; needs --bench-out, beside which its lessons are written."`
	Pictures  float64       `default:"25" placeholder:"RATE" help:"Pictures that the camera takes a second, 5 to 60 (${default})."`
	Late      time.Duration `default:"80ms" placeholder:"TIME" help:"From a picture's exposure, or a sound, to its sending (${default})."`
	Trouble   []string      `placeholder:"KIND" help:"What the camera's pictures suffer from: glare, noise, drift, blur, multiplex, hand. May be repeated."`
	Sound     bool          `help:"A microphone that hears the weigher's motor and its alarm, as samples over a raw socket."`
	Film      string        `placeholder:"FILE" help:"Write what the camera sees as a film too, JPEG after JPEG (MJPEG), 30 a second; needs --camera. A browser takes it as its camera."`
	Shows     []string      `placeholder:"TEXT" help:"What the display shows in the film, for two seconds each; what the product shows now otherwise. May be repeated."`
	BenchOut  string        `placeholder:"FILE" help:"Write the bench file here too."`
}

// Help says what the hand socket does.
func (c *simulateCommand) Help() string {
	return `The bench file goes to standard output, the sockets to standard error.

The socket "hand" stands for what a person does at the bench. One line each, ended by a line feed, from any
program that writes to a TCP port:

    FIXTure CABLe|JIG50|JIG150   close the clamp around the cable or a jig
    BUILd ORIGinal|FIXeD|CUREd   put another build of the product on the bench
    DUT:HOLD ON|OFF              hold the product's output, for a control run
    DUT:RESet                    clear an error that the product latched
    PART NAME,ON|OFF             put a part on the product or take it off, with RF on too: ferrite, capacitor, strap,
                                 clip-on; PART:LIST? tells which are on
    WANDer DB[,S[,SEED]]         let the onsets wander by at most so much, with a period in bench time (1800 s); 0
                                 ends it
    SPRead DB[,SEED]             draw the onsets anew for each exposure, with this standard deviation; 0 ends it
    ONSet? HZ[,PCT]              the onset in dBµA at a frequency as it is now, without modulation or with so much AM
    INTerlock OPEN|CLOSed        open the door
    PAD:ANALyser IN|OUT          and PAD:GENerator: take a pad out
    PROBe OPEN|CONNected         pull the probe's cable
    LOAD 50|INFinity             load setting of the function generator
    FAULt KIND@INSTRUMENT        as --fault; FAULt:CLEar ends all
    ABUSe?                       how often a rating was exceeded, and which
    RF?                          whether the generator's output is on
    RF:CABLe?                    whether a current is on the cable, above -20 dBµA at the probe

All that the instruments understand, beside the common commands of IEEE 488.2; "?" is asked, "(?)" set and asked:
` + simbench.Understood()
}

// Run serves until it is interrupted. The bench file goes to standard output, the list of sockets
// to standard error.
func (c *simulateCommand) Run(w *terminal.World) error {
	b, err := c.made()
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	defer b.Close()
	if err := b.Serve(c.serving()); err != nil {
		return err
	}
	for _, text := range c.Fault {
		f, err := simbench.ParseFault(text)
		if err == nil {
			err = b.Inject(f.Instrument, f)
		}
		if err != nil {
			return terminal.WithCode(terminal.ExitUsage, err)
		}
	}
	if err := c.write(w, b); err != nil {
		return err
	}
	select {
	case <-w.Signals:
	case <-w.Ctx.Done():
	}
	return nil
}

// made is the bench as the flags ask for it, without its faults, served to nobody yet.
func (c *simulateCommand) made() (*simbench.Bench, error) {
	if c.Speed <= 0 || c.Speed > 1000 {
		return nil, fmt.Errorf("speed %g must be above 0 and at most 1000", c.Speed)
	}
	for _, x := range []struct {
		flag string
		db   float64
	}{{"wander", c.Wander}, {"spread", c.Spread}} {
		if !(x.db >= 0 && x.db <= simbench.LargestMove) {
			return nil, fmt.Errorf("%s %g dB must be from 0 to %g dB", x.flag, x.db, simbench.LargestMove)
		}
	}
	config := simbench.Config{Seed: c.Seed, Speed: c.Speed, Fixture: simbench.Fixture(c.Fixture),
		Generator: simbench.Generator(c.Generator)}
	switch {
	case c.Camera && c.BenchOut == "":
		return nil, errors.New("--camera needs --bench-out FILE: the lessons of the display are written beside it")
	case !c.Camera && c.Film != "":
		return nil, errors.New("--film shows what the camera sees: it needs --camera")
	case c.Film == "" && len(c.Shows) > 0:
		return nil, errors.New("--shows is what a film shows: it needs --film FILE")
	case c.Camera:
		config.Camera = &simbench.CameraView{Rate: c.Pictures, Delay: c.Late, Trouble: c.Trouble}
		if err := config.Camera.Check(); err != nil {
			return nil, err
		}
	}
	if c.Sound {
		config.Sound = &simbench.SoundView{Delay: c.Late}
		if err := config.Sound.Check(); err != nil {
			return nil, err
		}
	}
	b := simbench.New(config)
	for _, name := range c.Part {
		if err := b.PutOn(name, true); err != nil {
			b.Close()
			return nil, err
		}
	}
	b.Wander(c.Wander, simbench.WanderPeriod, c.Seed)
	b.RandomOnset(c.Spread, c.Seed)
	return b, nil
}

func (c *simulateCommand) serving() simbench.Serving {
	s := simbench.Serving{Address: c.Listen, Mapper: c.Mapper}
	for _, t := range c.Transport {
		s.Transports = append(s.Transports, simbench.Transport(t))
	}
	if c.Address != "first" {
		s.Primary = simbench.Transport(c.Address)
	}
	return s
}

// write prints and files what a client needs.
func (c *simulateCommand) write(w *terminal.World, b *simbench.Bench) error {
	if c.Truth != "" {
		data, err := json.MarshalIndent(b.Truth(), "", "  ")
		if err != nil {
			return fmt.Errorf("writing the truth: %w", err)
		}
		if err := os.WriteFile(c.Truth, append(data, '\n'), 0o644); err != nil {
			return fmt.Errorf("writing the truth: %w", err)
		}
	}
	if c.BenchOut != "" {
		err := os.MkdirAll(filepath.Dir(c.BenchOut), 0o777)
		if err == nil {
			err = os.WriteFile(c.BenchOut, b.BenchFile(), 0o644)
		}
		if err != nil {
			return fmt.Errorf("writing the bench file: %w", err)
		}
	}
	if c.Camera {
		for _, l := range b.CameraLessons() {
			file := filepath.Join(filepath.Dir(c.BenchOut), filepath.FromSlash(l.File))
			err := os.MkdirAll(filepath.Dir(file), 0o755)
			if err == nil {
				err = os.WriteFile(file, l.Picture, 0o644)
			}
			if err != nil {
				return fmt.Errorf("writing a lesson of the camera: %w", err)
			}
		}
	}
	if c.Film != "" {
		var film bytes.Buffer
		err := b.Film(&film, 2*time.Second, c.Shows...)
		if err == nil {
			err = os.WriteFile(c.Film, film.Bytes(), 0o644)
		}
		if err != nil {
			return fmt.Errorf("writing the film: %w", err)
		}
	}
	if _, err := w.Stdout.Write(b.BenchFile()); err != nil {
		return fmt.Errorf("printing the bench file: %w", err)
	}
	fmt.Fprintf(w.Stderr, "%s listens, %g times faster than the clock; interrupt to end it\n", b.Name(), c.Speed)
	sheet := terminal.Table(w.Stderr)
	for _, name := range simbench.Names {
		fmt.Fprintf(sheet, "  %s", name)
		told := ""
		for _, t := range c.Transport {
			if a := b.AddressOver(simbench.Transport(t), name); a != told {
				fmt.Fprintf(sheet, "\t%s", a)
				told = a
			}
		}
		fmt.Fprintln(sheet)
	}
	if c.Camera {
		fmt.Fprintf(sheet, "  camera\t%s/stream\t%s/still\n", b.CameraURL(), b.CameraURL())
	}
	if c.Sound {
		fmt.Fprintf(sheet, "  microphone\t%s\n", b.SoundAddress())
	}
	if err := sheet.Flush(); err != nil {
		return err
	}
	if port := b.MapperPort(); port == 111 {
		fmt.Fprintln(w.Stderr, "the port mapper listens on port 111: any VXI-11 client finds the instruments")
	} else if port != 0 {
		fmt.Fprintf(w.Stderr,
			"the port mapper listens on port %d, because 111 was not to be had (it takes root, and nobody else "+
				"there): provoke finds it by the address; other VXI-11 clients ask on 111 only\n", port)
	}
	return nil
}
