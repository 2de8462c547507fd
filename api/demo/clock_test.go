package demo

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var start = time.Date(2026, 3, 10, 10, 0, 0, 0, time.UTC)

func TestClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newClock(start, 20)
		shop := func() time.Duration { return c.Now().Sub(start) }
		at := func(d time.Duration) time.Time { return start.Add(d) }
		time.Sleep(time.Minute) // while the shop is made ready
		require.Zero(t, shop())

		c.begin()
		began := time.Now()
		c.allow(at(10 * time.Second))
		require.Equal(t, 500*time.Millisecond, c.until(at(10*time.Second)))
		time.Sleep(250 * time.Millisecond)
		require.Equal(t, 5*time.Second, shop())
		time.Sleep(350 * time.Millisecond)
		require.Equal(t, 10*time.Second, shop(), "it does not pass what was not handed over")
		require.Equal(t, began.Add(500*time.Millisecond), c.real(at(10*time.Second)))

		c.allow(at(60 * time.Second))
		require.Equal(t, 12*time.Second, shop(), "a short wait is made up for")
		require.Equal(t, began.Add(600*time.Millisecond), c.real(at(11*time.Second)), "it was first shown when the limit rose")
		require.Equal(t, began.Add(time.Second), c.real(at(20*time.Second)))

		time.Sleep(10 * time.Second)
		c.allow(at(100 * time.Second))
		require.Equal(t, 60*time.Second, shop(), "a long wait is forgotten")
		time.Sleep(time.Second)
		require.Equal(t, 80*time.Second, shop())
		c.allow(at(90 * time.Second))
		require.Equal(t, 1*time.Second, c.until(at(100*time.Second)), "a limit never falls")
	})
}

func TestWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWindow(400*time.Millisecond, 3)
		enter := func(ms int) chan struct{} {
			done := make(chan struct{})
			go func() {
				w.enter(start.Add(time.Duration(ms) * time.Millisecond))
				close(done)
			}()
			synctest.Wait()
			return done
		}
		in := func(c chan struct{}) bool {
			synctest.Wait()
			select {
			case <-c:
				return true
			default:
				return false
			}
		}
		require.True(t, in(enter(0)))
		require.True(t, in(enter(300)))
		late := enter(500)
		require.False(t, in(late), "one that is much older is on its way")
		w.leave(start)
		require.True(t, in(late))
		require.True(t, in(enter(600)))
		fourth := enter(650)
		require.False(t, in(fourth), "three are on their way")
		w.leave(start.Add(500 * time.Millisecond))
		require.True(t, in(fourth))
	})
}
