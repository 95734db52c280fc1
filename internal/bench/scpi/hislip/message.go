package hislip

import (
	"encoding/binary"
	"fmt"
	"io"

	"provoke/internal/bench/scpi"
)

// messageType numbers a message (IVI-6.1, table 4).
type messageType byte

const (
	initialize                  messageType = 0
	initializeResponse          messageType = 1
	fatalError                  messageType = 2
	nonFatalError               messageType = 3
	asyncLock                   messageType = 4
	asyncLockResponse           messageType = 5
	data                        messageType = 6
	dataEnd                     messageType = 7
	deviceClearComplete         messageType = 8
	deviceClearAcknowledge      messageType = 9
	asyncRemoteLocal            messageType = 10
	asyncRemoteLocalResponse    messageType = 11
	trigger                     messageType = 12
	interrupted                 messageType = 13
	asyncInterrupted            messageType = 14
	asyncMaximumSize            messageType = 15
	asyncMaximumSizeResponse    messageType = 16
	asyncInitialize             messageType = 17
	asyncInitializeResponse     messageType = 18
	asyncDeviceClear            messageType = 19
	asyncServiceRequest         messageType = 20
	asyncStatusQuery            messageType = 21
	asyncStatusResponse         messageType = 22
	asyncDeviceClearAcknowledge messageType = 23
	asyncLockInfo               messageType = 24
	asyncLockInfoResponse       messageType = 25
)

var typeNames = map[messageType]string{
	initialize: "Initialize", initializeResponse: "InitializeResponse", fatalError: "FatalError",
	nonFatalError: "Error",
	asyncLock:     "AsyncLock", asyncLockResponse: "AsyncLockResponse", data: "Data", dataEnd: "DataEND",
	deviceClearComplete: "DeviceClearComplete", deviceClearAcknowledge: "DeviceClearAcknowledge",
	asyncRemoteLocal: "AsyncRemoteLocalControl", asyncRemoteLocalResponse: "AsyncRemoteLocalResponse",
	trigger:     "Trigger",
	interrupted: "Interrupted", asyncInterrupted: "AsyncInterrupted", asyncMaximumSize: "AsyncMaximumMessageSize",
	asyncMaximumSizeResponse: "AsyncMaximumMessageSizeResponse", asyncInitialize: "AsyncInitialize",
	asyncInitializeResponse: "AsyncInitializeResponse", asyncDeviceClear: "AsyncDeviceClear",
	asyncServiceRequest: "AsyncServiceRequest", asyncStatusQuery: "AsyncStatusQuery",
	asyncStatusResponse:         "AsyncStatusResponse",
	asyncDeviceClearAcknowledge: "AsyncDeviceClearAcknowledge", asyncLockInfo: "AsyncLockInfo",
	asyncLockInfoResponse: "AsyncLockInfoResponse",
}

func (t messageType) String() string {
	if name, ok := typeNames[t]; ok {
		return name
	}
	return fmt.Sprintf("message type %d", byte(t))
}

// headerLength of every message: "HS", type, control code, parameter, length (IVI-6.1, table 3).
const headerLength = 16

// message is one message. The payload is good until it is dropped by its reader.
type message struct {
	kind      messageType
	control   byte
	parameter uint32
	payload   []byte
}

// append writes a message behind b.
func (m message) append(b []byte) []byte {
	b = append(b, 'H', 'S', byte(m.kind), m.control)
	b = binary.BigEndian.AppendUint32(b, m.parameter)
	b = binary.BigEndian.AppendUint64(b, uint64(len(m.payload)))
	return append(b, m.payload...)
}

// readMessage reads one message of at most so many bytes of payload.
func readMessage(in io.Reader, most int) (message, error) {
	var head [headerLength]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		return message{}, scpi.Lost(err)
	}
	if head[0] != 'H' || head[1] != 'S' {
		return message{}, fmt.Errorf("%w: %q begins no HiSLIP message", scpi.ErrGarbage, head[:])
	}
	m := message{kind: messageType(head[2]), control: head[3], parameter: binary.BigEndian.Uint32(head[4:])}
	n := binary.BigEndian.Uint64(head[8:])
	if n > uint64(most) {
		return message{}, fmt.Errorf("%w: %v of %d bytes, the most agreed on is %d", scpi.ErrGarbage, m.kind, n, most)
	}
	if n > 0 {
		m.payload = make([]byte, n)
		if _, err := io.ReadFull(in, m.payload); err != nil {
			return message{}, scpi.Lost(err)
		}
	}
	return m, nil
}

// Error is a FatalError or an Error message of the server (IVI-6.1, tables 16 and 17).
type Error struct {
	Fatal bool
	Code  byte
	Text  string
}

// codeMaximumClients of a FatalError: no session is left.
const codeMaximumClients = 4

var fatalTexts = []string{"unidentified error", "poorly formed message header",
	"attempt to use a connection without both channels",
	"invalid initialization sequence", "the most clients that it takes are connected", "secure connection failed"}

var errorTexts = []string{"unidentified error", "unrecognized message type", "unrecognized control code",
	"unrecognized vendor defined message", "message too large", "authentication failed"}

// Error gives the text of the specification and the server's own.
func (e *Error) Error() string {
	kind, texts := "HiSLIP error", errorTexts
	if e.Fatal {
		kind, texts = "HiSLIP fatal error", fatalTexts
	}
	text := "code of the maker or the future"
	if int(e.Code) < len(texts) {
		text = texts[e.Code]
	}
	if e.Text != "" {
		text += " (" + e.Text + ")"
	}
	return fmt.Sprintf("%s %d, %s", kind, e.Code, text)
}

// Is matches the errors of package scpi that the code means.
func (e *Error) Is(target error) bool {
	if e.Fatal && e.Code == codeMaximumClients {
		return target == scpi.ErrInUse
	}
	return e.Fatal && target == scpi.ErrClosed
}
