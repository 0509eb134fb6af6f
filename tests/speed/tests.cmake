# `ninja speed` builds and runs these one after the other.
set(speed_dir ${CMAKE_CURRENT_SOURCE_DIR}/speed)
set(fixture_dir ${CMAKE_CURRENT_SOURCE_DIR}/unit)
speed_program(speed_steps SOURCES ${speed_dir}/steps/speed_steps.c LINKS compute m)
speed_program(speed_stagger SOURCES ${speed_dir}/stagger/speed_stagger.c LINKS compute)
speed_program(speed_pages SOURCES ${speed_dir}/pages/speed_pages.c ${fixture_dir}/journal/journal_fixture.c
  ${fixture_dir}/record/soak_journal.c LINKS web record journal PkgConfig::sqlite3 PkgConfig::jansson)
target_include_directories(speed_pages PRIVATE ${fixture_dir}/journal ${fixture_dir}/record)
speed_program(speed_wire SOURCES ${speed_dir}/wire/speed_wire.c ${speed_dir}/wire/paced_peer.c
  LINKS drivers PkgConfig::libmodbus m)
target_include_directories(speed_wire PRIVATE ${speed_dir}/wire)
