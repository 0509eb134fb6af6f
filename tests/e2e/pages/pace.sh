# Sourced by the walks of the pages: pace RATE, in the folder of the examples. The demonstration's clock runs RATE times as
# fast as this computer's, and bears about as long a pause of this computer as before: lease, watchdog and lost signals are
# counted in time of the bench, so they are drawn out to what a virtual bench may have at most (120 s).
pace() {
    sed -i "s/rate: 180/rate: $1/" harrow-quay-scenario.yaml harrow-quay.yaml
    sed -i 's/watchdog: {after_s: 90}/watchdog: {after_s: 120}/' harrow-quay-scenario.yaml
    sed -i 's/watchdog_time: 90 s/watchdog_time: 120 s/; s/lease: 70 s/lease: 105 s/; s/safety: 70 s/safety: 105 s/' harrow-quay.yaml
    [ "$(grep -c 'watchdog_time: 120 s\|lease: 105 s\|safety: 105 s' harrow-quay.yaml)" = 6 ]
}
